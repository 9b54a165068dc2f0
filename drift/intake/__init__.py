"""From files to rows: which rows do they hold, and which are held back.

Entrance: `files.inspect_file`, `files.lines_of`, `mapping.read_mapping`, `appending.append_rows`.
Rests on nothing but the ground.
"""
