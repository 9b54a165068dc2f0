"""What the records show of each clause that an assessor asks about, one module a family."""
