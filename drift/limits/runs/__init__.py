"""How many visits pass until charts and rules signal, in control and after a change."""
