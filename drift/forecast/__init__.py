"""Where is each meter, where does it go, when does it leave the tolerance, how did that fare.

Entrance: `learn.learn_fleet` (what meters share), `forecasts.score` (any meters by it),
`predict_visit.predict_visit`, `smooth.smooth`, `proof.prove`.  Rests on `trend`.
"""
