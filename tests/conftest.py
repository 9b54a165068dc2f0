"""What every test rests on: one thread for linear algebra, and a keyboard that interrupts."""

import signal

import drift.cli  # noqa: F401  # sets the threads, as the command line does, before numpy is loaded

# A shell that starts the tests in its background lets interrupts be ignored, by children too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
