"""What the service does: one file a deed. Pure but for the ports that it is given (ports.py); refusals in refusals.py."""
