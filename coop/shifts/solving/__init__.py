"""The core of the rota: a problem as a value, its model for CP-SAT, a search that stops, and a checker that needs neither."""
