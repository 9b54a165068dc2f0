"""This package takes a review from sources to verdicts; it reads and writes no file.

``ledger``      visits, drift steps, segments and the phases of charts (``phases``)
``charting``    control charts and what their rules say
``reference``   whether it is the meters or what they are compared with
``conformity``  uncertainty, verdicts by the decision rule in force, risks
``upkeep``      how long meters may go unseen, and what keeping them comes to
``analyse``     all of it, in order
``studies``     the method itself under a policy: what charts can see, how forecasts fared
``evidence``    what an evidence pack needs besides
"""
