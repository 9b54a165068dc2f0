"""What an assessor asks, clause by clause, answered from the review."""
