"""A run's scans in formats that others read."""
