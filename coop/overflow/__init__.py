"""Floor lent along the aisles to pieces that do not fit a booth: bays, requests, who stands where and when, and what it costs."""
