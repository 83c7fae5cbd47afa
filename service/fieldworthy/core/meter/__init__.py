"""Meters: what a counter showed when, replaced counters, values between readings."""
