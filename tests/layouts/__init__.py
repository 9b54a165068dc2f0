"""Record layouts of invented laboratories, each with the table that it must give."""
