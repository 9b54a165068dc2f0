"""The command line: arguments, messages and exit codes.

Entrance: `main.main`, `main.commands`.  Results go to standard output, messages about trouble to
standard error; heavy libraries are loaded by the commands that need them, so that asking for help
is quick.  Rests on `api`.

``main``      the group of commands, trouble and exit codes
``source``    commands that read a source: review, intake
``bench``     commands for the bench: respond, sheet, check
``journal``   commands on rows and their journal: withdraw, amend, restore, journal, export
``studies``   commands that study the method itself: detectability, proof
``memos``     commands that write a record, note or memo on meters: visit, impact, retirement
``options``   arguments and options that several commands share
``console``   what they print
``bench_told``  what those for the bench print
"""

import sys

from drift.memory import collect_seldom
from drift.threads import keep_one_thread

keep_one_thread()  # before any numeric library is loaded
collect_seldom()

try:
    from drift.cli.main import commands, main
except KeyboardInterrupt:  # by a quick hand, before there is anything to stop
    sys.stderr.write("drift: stopped\n")
    raise SystemExit(130) from None

__all__ = ["commands", "main"]
