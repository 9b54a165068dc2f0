"""This module holds the words that laboratories write, in English, German, French and Spanish.

The words are common practice, no source.  All are compared without case, accents and signs
(`folded`).
"""

import re
import unicodedata
from functools import lru_cache

_SIGNS = re.compile(r"[\s_\-/\\.,:;()\[\]{}*+=<>|#°'\"’`´@&!?“”„«»–—]+")


@lru_cache(maxsize=65536)
def folded(text: str) -> str:
    """Return a text as it is compared: no case, accents or signs, single blanks."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    plain = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return _SIGNS.sub(" ", plain).strip()


def _phrases(words: str) -> frozenset[str]:
    """Return the phrases of a list, separated by bars, folded."""
    return frozenset(folded(word) for word in words.split("|")) - {""}


AS_FOUND = _phrases(
    "as found|asfound|as-found|found|af|a f|before|before adjustment|before adj|before cal"
    "|before calibration|pre|pre adjustment|pre adj|pre cal|prior|incoming|as received|received"
    "|on arrival|vor|vorher|vor justage|vor justierung|vor einstellung|wie vorgefunden|vorgefunden"
    "|vorgefundener zustand|eingang|eingangsmessung|eingangswert|avant|avant reglage|avant ajustage"
    "|avant ajustement|tel que trouve|trouve|etat trouve|a l arrivee|a reception|antes|encontrado|gefunden|angetroffen"
    "|antes de ajuste|como se encontro|fnd|afound|bef"
)
AS_LEFT = _phrases(
    "as left|asleft|as-left|left|al|a l|after|after adjustment|after adj|after cal"
    "|after calibration|post|post adjustment|post adj|post cal|outgoing|as returned|returned"
    "|nach|nachher|nach justage|nach justierung|nach einstellung|eingestellt|nach einstellen|wie hinterlassen|hinterlassen"
    "|ausgang|ausgangsmessung|ausgangswert|apres|apres reglage|apres ajustage|apres ajustement"
    "|tel que laisse|laisse|etat laisse|au depart|despues|dejado|despues de ajuste|como se dejo"
    "|lft|aleft|aft"
)
# Letters that mean a stage only where the column is one of stages and both are in it.
STAGE_LETTERS = (("f", "l"), ("b", "a"), ("v", "n"), ("i", "f"))

NOTHING = frozenset(
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
    r"|std\.?\s*dev\.?|st\.?\s*dev\.?|stdev|standard deviation|sd|count|range|n\s*=|summe|mittelwert"
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

# What a column may be, by the words of its header; the first that fits counts.
ROLES: dict[str, frozenset[str]] = {
    "due": _phrases(
        "due|due date|next due|next|next cal|next calibration|next check|next visit|valid until"
        "|expires|expiry|fallig|fallig am|nachste|nachste prufung|nachste kalibrierung|gultig bis"
        "|prochain|prochaine|prochaine verification|echeance|proxima"
    ),
    "date": _phrases(
        "date|dated|day|date performed|performed on|performed|tested on|date tested|cal date"
        "|calibration date|date of calibration|date of test|test date|check date|date checked"
        "|date of check|date calibrated|visit date|visit|visited|when|datum|tag|prufdatum|pruftag"
        "|messdatum|kalibrierdatum|kalibriert am|gepruft am|date de verification|date d essai|jour"
        "|date etalonnage|date de controle|fecha|measured on|calibrated on|performed date|session"
        "|session date|datum der prufung|month|monat|mois|mes"
    ),
    "year": _phrases("year|jahr|annee|an|ano|calendar year"),
    "time": _phrases("time|uhrzeit|zeit|heure|hora"),
    "checked_by": _phrases(
        "checked by|reviewed by|approved by|approved|reviewed|verified by|witness|witnessed by"
        "|supervisor|signature|signed|gepruft von|freigegeben|freigabe|unterschrift|verifie par"
        "|approuve par|visa|visa responsable"
    ),
    "operator": _phrases(
        "operator|tech|technician|by|initials|inits|init|tested by|performed by|done by|cal by"
        "|calibrated by|read by|measured by|who|analyst|name|person|staff|prufer|bearbeiter"
        "|durchgefuhrt von|bediener|name prufer|kurzzeichen|kurzel|techniker|pruefer|ausgefuhrt von"
        "|operateur|technicien|par|effectue par|realise par|operador|tecnico|opr|oper"
    ),
    "remarks": _phrases(
        "remarks|remark|comments|comment|notes|note|observations|observation|bemerkung|bemerkungen"
        "|anmerkung|anmerkungen|hinweis|notiz|remarque|remarques|commentaire|commentaires"
        "|observaciones|notas|memo|info|rmks"
    ),
    "temperature": _phrases(
        "temp|temperature|water temp|water temperature|temp water|temp c|temp f|wassertemperatur"
        "|temperatur|wasser temp|temperature eau|temperature de l eau|temp eau|t c|t f|t wasser"
        "|water temp c|water temp f|temperatura|air temp|room temp"
    ),
    "action": _phrases(
        "action|action taken|adjustment|adjusted|adjustments|adj|work|work done|service|repair"
        "|repairs|maintenance|corrective action|massnahme|massnahmen|arbeiten|justage"
        "|justiert|intervention|reglage|ajustage|travaux|entretien|accion"
    ),
    "verdict": _phrases(
        "verdict|pass fail|p f|result|results|status|ok|pass|in tolerance|within tolerance"
        "|acceptable|accept|conformity|tolerance met|ergebnis|befund|bestanden|i o|beurteilung"
        "|bewertung|resultat|conforme|conformite|decision|pass|resultado|judgement|outcome|io nio"
        "|ok nok|ok not ok|in tol"
    ),
    "correction": _phrases("correction|korrektur|correccion|corr"),
    "error": _phrases(
        "error|err|deviation|dev|difference|diff|delta|bias|offset|variance|abweichung|differenz"
        "|messabweichung|fehler|anzeigeabweichung|ecart|erreur|biais|desviacion|error pct|error air"
        "|percent error|error percent|% error|error %|δ|d|desvio|out by|reads high low|reads off by"
    ),
    "mass_vessel": _phrases(
        "mass of water in vessel|water in vessel|vessel water|vessel water mass|water mass vessel"
        "|mass vessel|vessel mass|weight of water in vessel|weight vessel|water mass g|w|small w"
        "|water mass|wasser gefass|masse wasser gefass|wassermasse gefass|masse eau recipient"
        "|water in cal vessel|water in calibration vessel|mass of water w|vessel fill|vessel water g"
        "|water drawn|water removed|water withdrawn|mass drawn|drawn off|water drawn off"
        "|mass of water drawn|mass of water removed|entnommenes wasser|entnommene wassermasse"
        "|eau retiree|masse d eau retiree"
    ),
    "mass_bowl": _phrases(
        "mass of water in bowl|water in bowl|bowl water|bowl water mass|mass bowl|bowl mass"
        "|weight of water in bowl|weight bowl|bowl water mass g|water mass bowl|wasser topf"
        "|wassermasse topf|masse wasser topf|masse eau cuve|mass of water W|bowl fill|water to fill"
        " bowl|mass of water to fill bowl|water filling bowl|bowl full|bowl full of water"
        "|full bowl|wasser im topf|wasserfullung topf|eau dans la cuve|cuve pleine"
    ),
    "mark": _phrases(
        "mark|marks|initial pressure|initial pressure mark|initial mark|pressure mark|init pressure"
        "|init press|initial press|ip|ip mark|initial line|initial pressure line|starting pressure"
        "|start pressure|pump up mark|pump mark|anfangsdruck|startdruck|ausgangsdruck|marke"
        "|druckmarke|initialdruck|pression initiale|repere|repere initial|presion inicial|i p"
        "|initial pressure psi|initial pressure kpa|initial pressure setting|pump to|ip line"
    ),
    "stage": _phrases(
        "stage|condition|state|phase|as found as left|af al|found left|before after|as found left"
        "|zustand|vor nach|vorher nachher|etat|avant apres|when read|found or left|f l|estado|b a"
        "|found as left"
    ),
    "replicate": _phrases(
        "replicate|rep|repeat|trial|run|reading no|reading number|rdg no|shot|wiederholung"
        "|messung nr|versuch|essai|essai n|repetition|nr messung|lecture n|trial no|run no"
        "|replicate no|rep no|attempt|lauf"
    ),
    "resolution": _phrases(
        "resolution|readability|graduation|division|dial resolution|auflosung"
        "|skalenteilung|teilung|smallest division|graduation pct|resolution pct"
    ),
    "correct": _phrases(
        "correct|correct air|correct air content|correct air pct|reference|ref|ref value|r|true"
        "|reference value|ref air|true value|true air|nominal|expected|expected air|expected value"
        "|target|standard|standard value|std|soll|sollwert|referenz|referenzwert|richtwert"
        "|reference r|valeur de reference|valeur vraie|valeur attendue|valeur correcte|consigne"
        "|vessel value|vessel air|vessel r|vessel air content|r value|r pct|known|known air"
        "|should read|should be|calculated air|assigned|assigned value|valor de referencia|true pct"
        "|correct reading|expected reading|true reading|reference reading|teneur vraie|bezugswert"
        "|sollanzeige|soll luftgehalt|valeur cible|correct value|reference air|reference air content"
        "|certified|certified value|vessel pct|cal value|teneur de reference|valeur etalon"
    ),
    "point": _phrases(
        "point|test point|level|verification point|cal point|calibration point|nominal point"
        "|set point|setpoint|step|check point|prufpunkt|messpunkt|punkt|stufe|punkt nr|palier"
        "|point de mesure|point d essai|punto|air level|at|pt|verif point|nominal air|nominal pct"
    ),
    "reading": _phrases(
        "reading|readings|rdg|rdgs|read|gauge reading|meter reading|dial reading|indicated"
        "|indication|indicated air|measured|observed|gauge|dial|actual reading|air meter reading"
        "|reading pct|reading air|reading air pct|measured air|measured value|observed reading"
        "|anzeige|ablesung|messwert|istwert|ist|abgelesen|angezeigt|manometer|lecture|lectures"
        "|valeur lue|lu|indique|indicated value|meter reads|reads|lectura|medido|shown|displayed"
        "|display|value read|valeur mesuree|mesure|found value|gemessen|messung|affichage|ablesewert"
    ),
    "air": _phrases(
        "air|air content|air pct|luftgehalt|luft|lp gehalt|teneur en air|air occlus|contenido de"
        " aire|value|values|wert|werte|valeur|valor|percent air|air percent"
    ),
    "actual": _phrases("actual|actual air|actual value"),
    "vessel": _phrases(
        "vessel|cal vessel|calibration vessel|vessel id|vessel no|canister|can|cup|cylinder"
        "|cal cylinder|reference vessel|measuring vessel|gefass|kalibriergefass|gefass nr"
        "|prufgefass|recipient|recipient d etalonnage|recipient n|vaso|ref vessel|vessel used"
        "|vessel number|standard used|reference used|kalibrierbehalter"
    ),
    "meter": _phrases(
        "meter|meter id|meter no|meter number|meter name|gauge id|gauge no|gauge number|air meter"
        "|airmeter|air meter id|air meter no|instrument|instrument no|instrument id|equipment"
        "|equipment id|equipment no|equip|equip no|equip id|asset|asset no|asset id|asset tag|unit"
        "|unit no|unit id|device|id|tag|id no|gerat|gerate nr|geratenummer|gerat nr|inventar nr"
        "|inv nr|prufgerat|lp topf|luftporentopf|topf|topf nr|gerate id|prufmittel|prufmittel nr"
        "|lp gerat|messgerat|appareil|appareil n|n appareil|no appareil|aerometre|aerometre n"
        "|numero appareil|identifiant|instrument n|equipo|medidor|aparato|pot|pot no|lab no|lab id"
        "|meter nr|geraet|geraete nr|prufmittelnummer|which meter|am no|n aerometre|inventarnummer"
        "|dial no|dial id|dial number|identification|equipment number|asset number|meter identification|air meters|meters"
    ),
    "serial": _phrases(
        "serial|serial no|serial number|s n|sn|seriennummer|serien nr|ser no"
        "|numero de serie|n serie|n de serie"
    ),
    "zero_reading": _phrases(
        "zero reading|reading at zero|zero check|nullanzeige|zero rdg"
        "|lecture a zero|lecture zero|zero air reading"
    ),
    "ignored": _phrases(
        "make|model|maker|manufacturer|location|site|lab|laboratory|department|page|sheet|form"
        "|certificate|cert|cert no|certificate no|row|line|line no|item|item no|no|nr|n|seq"
        "|hersteller|typ|type|standort|labor|seite|lfd nr|zeile|fabricant|modele|lieu|ligne|marque"
        "|average|avg|mean|mittel|mittelwert|moyenne|range|spread|sd|stdev|std dev|spannweite"
        "|procedure|method|revision|rev|barometer|humidity|tolerance|tol|limit|limits|toleranz"
        "|project|job|customer|client|quarter|week|initial setting|mean reading|average reading"
        "|avg reading|mean error|average error|elevation|altitude|min|max|batch|invoice|cost"
        "|tolerance pct|limit pct|week no|quartal|trimestre|purchase date|installed|purchased"
    ),
}
# Words beside these that say nothing more.
NOISE = _phrases(
    "of|the|at|in|for|a|an|no|nr|id|number|value|pct|percent|air|calibration|cal|check|test|water"
    "|on|and|content|vol|by volume|type b|pressure|meter|gauge|dial|air meter|von|der|die|das|bei|am"
    "|im|und|luft|luftgehalt|de|la|le|l|du|des|a|en|n|d|et|au|point|reading|readings|rdg|trial|run|is"
    "|was|concrete|type|b|all|values|as|g|lb|kg|psi|kpa|c|f|bar|unit|units|vol %|%|yy|yyyy|mm|dd"
    "|mm dd yyyy|dd mm yyyy|deg|level|verification|per|cent|meas|measurement|room|span|full|bowl"
    "|nominal|stufe|messpunkt|prufpunkt|punkt|air content|teneur en air|adjustment|adj|state|result"
    "|check|checks|scale|we|read|reads|results|step|reference|ref|visit|stage|condition"
    "|lecture|ablesung|anzeige|essai|versuch|messung|series|set|initial|required|optional|manometer"
)
REPLICATE_WORDS = _phrases(
    "trial|run|rep|replicate|repeat|shot|attempt|versuch|wiederholung|essai|repetition|messung"
    "|lauf|try|test|reading|rdg|ablesung|lecture|measurement|read|series|set|n"
)
ORDINALS: dict[str, int] = {
    "1st": 1, "2nd": 2, "3rd": 3, "4th": 4, "first": 1, "second": 2, "third": 3, "fourth": 4,
    "i": 1, "ii": 2, "iii": 3, "erste": 1, "zweite": 2, "dritte": 3, "1ere": 1, "2eme": 2, "3eme": 3,
    "premiere": 1, "deuxieme": 2, "1re": 1, "2e": 2, "3e": 3,
}  # fmt: skip
ZERO = _phrases(
    "zero|null|nullpunkt|nullwert|zero point|zero check|zero reading|cero|bowl full|"
    "bowl full of water|full bowl|nullanzeige|zero rdg|zero air"
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
    ("chamber_dried", re.compile(r"(?i)chamber (was )?dried|dried (the )?chamber|kammer getrocknet")),
    ("dropped", re.compile(r"(?i)\bdropped\b|heruntergefallen|tombé")),
)  # fmt: skip
# Sheet names that say nothing of what is on the sheet.
PLAIN_SHEET = re.compile(
    r"(?i)^\s*(sheet|tabelle|feuil|feuille|hoja|blatt|arkusz|table|data|daten|données|records?|log"
    r"|calibrations?|air ?meters?|readings|history|register|export|all|main|raw|kalibrier\w*"
    r"|results?|verifications?|form|import|master|list)\s*\d*\s*(\(\d+\))?\s*$"
)
