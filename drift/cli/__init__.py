"""This package is the command line: arguments, messages and exit codes; it does no work itself.

``main``      the group of commands, trouble and exit codes
``source``    commands that read a source: review, intake
``studies``   commands that study the method itself: detectability, proof
``saying``    what they print

Results go to standard output, messages about trouble to standard error.  Heavy libraries are
loaded by the commands that need them, so that asking for help is quick.
"""

from drift.cli.main import commands, main

__all__ = ["commands", "main"]
