"""One module a chart, from prepared points to points with limits."""
