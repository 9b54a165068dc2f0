"""How long meters stay in tolerance: censored intervals, survival, reliability."""
