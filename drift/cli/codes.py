"""This module names the exit codes; it exits nothing."""

EXIT_DONE = 0
EXIT_HELD_BACK = 1
EXIT_UNUSABLE = 2
# Fresh readings out of tolerance, or to be read again or looked up before they are loaded.
EXIT_REPEAT = 3
# As shells report a program that was interrupted: 128 and the number of the signal.
EXIT_STOPPED = 130
