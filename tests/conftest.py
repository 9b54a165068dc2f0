"""One thread for linear algebra, as the command line sets it, before numpy is loaded."""

import drift.cli  # noqa: F401  # sets the threads
