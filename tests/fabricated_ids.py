"""Meters, days and hostile words of the fabricated review."""

from datetime import date

AS_OF = date(2025, 1, 15)
FIRST = date(2022, 1, 10)
POINTS = (0.0, 5.0)
VISITS = 9
SCRIPT = "<script>window.harmed = 1</script>"
IMAGE = '"><img src=x onerror="window.harmed = 1">'
FRIENDLY = "AM-01"
DRIFTER = "AM-02"
NEWCOMER = "AM-99"
# Each id once: a friendly one, the same in another case, and all that a file system or a page
# may trip over.
IDS = (
    FRIENDLY,
    DRIFTER,
    "am-01",
    SCRIPT,
    IMAGE,
    "../../etc/pass\\wd",
    "CON",
    "Ω\u202emeter {{ 7 * 7 }}",
    "x" * 300,
    NEWCOMER,
)
REMARK = f"said 'fine' & left; {SCRIPT} {IMAGE} </svg></td></table>"
