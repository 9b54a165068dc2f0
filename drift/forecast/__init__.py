"""Where is each meter, where does it go, when does it leave the tolerance, how did that fare.

Entrance: `fit.fit_fleet`, `forecasts.forecast`, `predict_visit.predict_visit`,
`smooth.smooth`, `proof.prove`.  Rests on `trend`.
"""
