"""The ground floor: truth, quantities, places in a text, findings, reasons, names, the calendar."""
