"""Celery carries the ids of jobs to these processes; what they do is in coop."""
