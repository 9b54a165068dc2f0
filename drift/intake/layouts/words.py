"""This module holds the words that laboratories write, in English, German, French and Spanish.

The words are common practice, no source.  All are compared without case, accents and signs
(`folded`).
"""

import re
import unicodedata
from functools import lru_cache

_SIGNS = re.compile(r"[\s_\-/\\.,:;()\[\]{}*+=<>|#°'\"’`´@&!?“”„«»–—]+")


@lru_cache(maxsize=65536)
def folded_words(text: str) -> str:
    """Return a text as it is compared: no case, accents or signs, single blanks."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    plain = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return _SIGNS.sub(" ", plain).strip()


def phrases(words: str) -> frozenset[str]:
    """Return the phrases of a list, separated by bars, folded."""
    return frozenset(folded_words(word) for word in words.split("|")) - {""}


AS_FOUND = phrases(
    "as found|asfound|as-found|found|af|a f|before|before adjustment|before adj|before cal"
    "|before calibration|pre|pre adjustment|pre adj|pre cal|prior|incoming|as received|received"
    "|on arrival|vor|vorher|vor justage|vor justierung|vor einstellung|wie vorgefunden|vorgefunden"
    "|vorgefundener zustand|eingang|eingangsmessung|eingangswert|avant|avant reglage|avant ajustage"
    "|avant ajustement|tel que trouve|trouve|etat trouve|a l arrivee|a reception|antes"
    "|encontrado|gefunden|angetroffen"
    "|antes de ajuste|como se encontro|fnd|afound|bef"
)
AS_LEFT = phrases(
    "as left|asleft|as-left|left|al|a l|after|after adjustment|after adj|after cal"
    "|after calibration|post|post adjustment|post adj|post cal|outgoing|as returned|returned"
    "|nach|nachher|nach justage|nach justierung|nach einstellung|eingestellt|nach einstellen"
    "|wie hinterlassen|hinterlassen"
    "|ausgang|ausgangsmessung|ausgangswert|apres|apres reglage|apres ajustage|apres ajustement"
    "|tel que laisse|laisse|etat laisse|au depart|despues|dejado|despues de ajuste|como se dejo"
    "|lft|aleft|aft"
)
# Letters that mean a stage only where the column is one of stages and both are in it.
STAGE_LETTERS = (("f", "l"), ("b", "a"), ("v", "n"), ("i", "f"))

NO_VALUE = frozenset(
    [
        "",
        "n/a",
        "na",
        "n.a.",
        "n.a",
        "n / a",
        "nd",
        "n.d.",
        "n.d",
        "none",
        "nil",
        "not done",
        "not taken",
        "not tested",
        "not recorded",
        "not read",
        "not applicable",
        "no reading",
        "no data",
        "nr",
        "n.r.",
        "tbd",
        "k.a.",
        "k. a.",
        "ka",
        "keine angabe",
        "entfällt",
        "entf.",
        "entf",
        "nicht gemessen",
        "n. gem.",
        "sans objet",
        "s.o.",
        "so",
        "s/o",
        "non mesuré",
        "non mesure",
        "n.m.",
        "nm",
        "no aplica",
        "missing",
        "skipped",
        "blank",
        "#n/a",
        "#value!",
        "#div/0!",
        "#ref!",
        "null",
        "nan",
        "-",
        "--",
        "---",
        "–",
        "—",
        "−",
        "?",
        "/",
        ".",
        "..",
        "...",
        "…",
    ]
) - {""}
PASSED = frozenset(
    [
        "ok",
        "o.k.",
        "okay",
        "pass",
        "passed",
        "p",
        "good",
        "✓",
        "✔",
        "☑",
        "i.o.",
        "io",
        "i. o.",
        "in ordnung",
        "bestanden",
        "conforme",
        "conf.",
        "bon",
        "sat",
        "satisfactory",
        "acceptable",
        "accepted",
        "accept",
        "in tol",
        "in tolerance",
        "within",
        "within tolerance",
        "true",
        "erfüllt",
        "réussi",
        "correcto",
        "cumple",
        "aprobado",
        "c",
    ]
)
FAILED = frozenset(
    [
        "fail",
        "failed",
        "f",
        "n.i.o.",
        "nio",
        "n. i. o.",
        "nicht in ordnung",
        "nicht bestanden",
        "non conforme",
        "nc",
        "n.c.",
        "ng",
        "not ok",
        "nok",
        "n.o.k.",
        "bad",
        "unsat",
        "unsatisfactory",
        "out",
        "out of tol",
        "out of tolerance",
        "oot",
        "reject",
        "rejected",
        "✗",
        "✘",
        "false",
        "nicht erfüllt",
        "échec",
        "no cumple",
        "rechazado",
    ]
)
# What a person writes where a line does not count.
VOID = re.compile(
    r"(?i)(?<!\w)(void(?:ed)?|cancel+ed|deleted|disregard|do not use|not valid|invalid|storniert"
    r"|ungültig|gestrichen|annulée?s?|anulado|ignore|struck out|entered in error)(?!\w)"
)
TOTALS = re.compile(
    r"(?i)^\s*(?:grand\s+)?(totals?|sub-?totals?|sum|mean|average|avg|minimum|min|maximum|max"
    r"|std\.?\s*dev\.?|st\.?\s*dev\.?|stdev|standard deviation|sd|count|range|n\s*=|summe"
    r"|mittelwert"
    r"|mittel|anzahl|standardabweichung|moyenne|somme|écart[- ]type|promedio|suma|gesamt)\b"
)
DITTO = frozenset(
    [
        '"',
        "''",
        "〃",
        "ditto",
        "do",
        "do.",
        "dito",
        "dto",
        "dto.",
        "idem",
        "same",
        "same as above",
        "as above",
        "“",
        "”",
        "″",
        '-"-',
        "-''-",
        '–"–',
        ",,",
        "„",
        "«",
        "»",
        "↓",
        '""',
        "' '",
        '" "',
        '--"--',
        "wie oben",
        "dº",
        "id.",
    ]
)

# Work on a meter, by what a person writes of it.
ACTIONS: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("gauge_replaced", re.compile(
        r"(?i)(gauge|dial|manometer|manomètre)\s*(was\s*)?(replaced|changed|exchanged|getauscht"
        r"|ersetzt|gewechselt|remplacé)|new (gauge|dial)|replaced (the )?(gauge|dial)"
        r"|neues manometer")),
    ("hand_reset", re.compile(
        r"(?i)hand (was )?(re-?set|re-?positioned|moved)|re-?set (the )?(hand|pointer|needle)"
        r"|(pointer|needle) (was )?re-?set|zeiger (neu )?(gesetzt|gestellt|justiert)"
        r"|aiguille (recalée|réglée)")),
    ("seal_replaced", re.compile(
        r"(?i)(seal|gasket|o-?ring|dichtung|joint)\s*(was\s*)?(replaced|changed|getauscht|ersetzt"
        r"|remplacé)|new (seal|gasket|o-?ring)|neue dichtung|joint neuf")),
    ("chamber_dried", re.compile(
        r"(?i)chamber (was )?dried|dried (the )?chamber|kammer getrocknet")),
    ("dropped", re.compile(r"(?i)\bdropped\b|heruntergefallen|tombé")),
)  # fmt: skip
