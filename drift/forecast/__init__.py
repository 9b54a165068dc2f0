"""Where is each meter, where does it go, when does it leave the tolerance, how did that fare.

Entrance: `learn.learn` (what meters share), `forecasts.score` (any of them by it),
`forecasts.forecast` (both), `predict_visit.predict_visit`, `smooth.smooth`, `proof.prove`.
Rests on `trend`.
"""
