"""What a study of operators, meters and replicates says.

Entrance: `weigh.weigh_study`.  A study is read as crossed or nested, balanced or not: which parts
of the scatter its design can tell apart is worked out from the design, never assumed.
"""
