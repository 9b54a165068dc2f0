"""The filter on a grid of biases: states, visits, what a rounded reading says, horizons."""
