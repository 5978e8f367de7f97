"""Numbers in, numbers out: intervals, exact tests and models."""
