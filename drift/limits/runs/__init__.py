"""How many visits pass until charts and rules speak, in control and after a change."""
