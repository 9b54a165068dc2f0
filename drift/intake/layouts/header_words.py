"""This module holds the words that head columns, in English, German, French and Spanish."""

import re

from drift.intake.layouts.words import phrases

# What a column may be, by the words of its header; the first that fits counts.
HEADER_ROLES: dict[str, frozenset[str]] = {
    "due": phrases(
        "due|due date|next due|next|next cal|next calibration|next check|next visit|valid until"
        "|expires|expiry|fallig|fallig am|nachste|nachste prufung|nachste kalibrierung|gultig bis"
        "|prochain|prochaine|prochaine verification|echeance|proxima"
    ),
    "date": phrases(
        "date|dated|day|date performed|performed on|performed|tested on|date tested|cal date"
        "|calibration date|date of calibration|date of test|test date|check date|date checked"
        "|date of check|date calibrated|visit date|visit|visited|when|datum|tag|prufdatum|pruftag"
        "|messdatum|kalibrierdatum|kalibriert am|gepruft am|date de verification|date d essai|jour"
        "|date etalonnage|date de controle|fecha|measured on|calibrated on|performed date|session"
        "|session date|datum der prufung|month|monat|mois|mes"
    ),
    "year": phrases("year|jahr|annee|an|ano|calendar year"),
    "time": phrases("time|uhrzeit|zeit|heure|hora"),
    "checked_by": phrases(
        "checked by|reviewed by|approved by|approved|reviewed|verified by|witness|witnessed by"
        "|supervisor|signature|signed|gepruft von|freigegeben|freigabe|unterschrift|verifie par"
        "|approuve par|visa|visa responsable"
    ),
    "operator": phrases(
        "operator|tech|technician|by|initials|inits|init|tested by|performed by|done by|cal by"
        "|calibrated by|read by|measured by|who|analyst|name|person|staff|prufer|bearbeiter"
        "|durchgefuhrt von|bediener|name prufer|kurzzeichen|kurzel|techniker|pruefer|ausgefuhrt von"
        "|operateur|technicien|par|effectue par|realise par|operador|tecnico|opr|oper"
    ),
    "remarks": phrases(
        "remarks|remark|comments|comment|notes|note|observations|observation|bemerkung|bemerkungen"
        "|anmerkung|anmerkungen|hinweis|notiz|remarque|remarques|commentaire|commentaires"
        "|observaciones|notas|memo|info|rmks"
    ),
    "temperature": phrases(
        "temp|temperature|water temp|water temperature|temp water|temp c|temp f|wassertemperatur"
        "|temperatur|wasser temp|temperature eau|temperature de l eau|temp eau|t c|t f|t wasser"
        "|water temp c|water temp f|temperatura|air temp|room temp"
    ),
    "action": phrases(
        "action|action taken|adjustment|adjusted|adjustments|adj|work|work done|service|repair"
        "|repairs|maintenance|corrective action|massnahme|massnahmen|arbeiten|justage"
        "|justiert|intervention|reglage|ajustage|travaux|entretien|accion"
    ),
    "verdict": phrases(
        "verdict|pass fail|p f|result|results|status|ok|pass|in tolerance|within tolerance"
        "|acceptable|accept|conformity|tolerance met|ergebnis|befund|bestanden|i o|beurteilung"
        "|bewertung|resultat|conforme|conformite|decision|pass|resultado|judgement|outcome|io nio"
        "|ok nok|ok not ok|in tol"
    ),
    "correction": phrases("correction|korrektur|correccion"),
    "error": phrases(
        "error|err|deviation|dev|difference|diff|delta|bias|offset|variance|abweichung|differenz"
        "|messabweichung|fehler|anzeigeabweichung|ecart|erreur|biais|desviacion|error pct|error air"
        "|percent error|error percent|% error|error %|δ|d|desvio|out by|reads high low|reads off by"
    ),
    "mass_vessel": phrases(
        "mass of water in vessel|water in vessel|vessel water|vessel water mass|water mass vessel"
        "|mass vessel|vessel mass|weight of water in vessel|weight vessel|water mass g|w|small w"
        "|water mass|wasser gefass|masse wasser gefass|wassermasse gefass|masse eau recipient"
        "|water in cal vessel|water in calibration vessel|mass of water w|vessel fill|vessel "
        "water g"
        "|water drawn|water removed|water withdrawn|mass drawn|drawn off|water drawn off"
        "|mass of water drawn|mass of water removed|entnommenes wasser|entnommene wassermasse"
        "|eau retiree|masse d eau retiree"
    ),
    "mass_bowl": phrases(
        "mass of water in bowl|water in bowl|bowl water|bowl water mass|mass bowl|bowl mass"
        "|weight of water in bowl|weight bowl|bowl water mass g|water mass bowl|wasser topf"
        "|wassermasse topf|masse wasser topf|masse eau cuve|mass of water W|bowl fill|water to fill"
        " bowl|mass of water to fill bowl|water filling bowl|bowl full|bowl full of water"
        "|full bowl|wasser im topf|wasserfullung topf|eau dans la cuve|cuve pleine"
    ),
    "mark": phrases(
        "mark|marks|initial pressure|initial pressure mark|initial mark|pressure mark|init pressure"
        "|init press|initial press|ip|ip mark|initial line|initial pressure line|starting pressure"
        "|start pressure|pump up mark|pump mark|anfangsdruck|startdruck|ausgangsdruck|marke"
        "|druckmarke|initialdruck|pression initiale|repere|repere initial|presion inicial|i p"
        "|initial pressure psi|initial pressure kpa|initial pressure setting|pump to|ip line"
    ),
    "stage": phrases(
        "stage|condition|state|phase|as found as left|af al|found left|before after|as found left"
        "|zustand|vor nach|vorher nachher|etat|avant apres|when read|found or left|f l|estado|b a"
        "|found as left"
    ),
    "replicate": phrases(
        "replicate|rep|repeat|trial|run|reading no|reading number|rdg no|shot|wiederholung"
        "|messung nr|versuch|essai|essai n|repetition|nr messung|lecture n|trial no|run no"
        "|replicate no|rep no|attempt|lauf"
    ),
    "resolution": phrases(
        "resolution|readability|graduation|division|dial resolution|auflosung"
        "|skalenteilung|teilung|smallest division|graduation pct|resolution pct"
    ),
    "correct": phrases(
        "correct|correct air|corr air|corr air content|correct air content"
        "|correct air pct|reference|ref|ref value|r|true"
        "|reference value|ref air|true value|true air|nominal|expected|expected air|expected value"
        "|target|standard|standard value|std|soll|sollwert|referenz|referenzwert|richtwert"
        "|reference r|valeur de reference|valeur vraie|valeur attendue|valeur correcte|consigne"
        "|vessel value|vessel air|vessel r|vessel air content|r value|r pct|known|known air"
        "|should read|should be|calculated air|assigned|assigned value|valor de referencia|true pct"
        "|correct reading|expected reading|true reading|reference reading|teneur vraie|bezugswert"
        "|sollanzeige|soll luftgehalt|valeur cible|correct value|reference air|reference air "
        "content"
        "|certified|certified value|vessel pct|cal value|teneur de reference|valeur etalon"
    ),
    "point": phrases(
        "point|test point|level|verification point|cal point|calibration point|nominal point"
        "|set point|setpoint|step|check point|prufpunkt|messpunkt|punkt|stufe|punkt nr|palier"
        "|point de mesure|point d essai|punto|air level|at|pt|verif point|nominal air|nominal pct"
    ),
    "reading": phrases(
        "reading|readings|rdg|rdgs|read|gauge reading|meter reading|dial reading|indicated"
        "|indication|indicated air|measured|observed|gauge|dial|actual reading|air meter reading"
        "|reading pct|reading air|reading air pct|measured air|measured value|observed reading"
        "|anzeige|ablesung|messwert|istwert|ist|abgelesen|angezeigt|manometer|lecture|lectures"
        "|valeur lue|lu|indique|indicated value|meter reads|reads|lectura|medido|shown|displayed"
        "|display|value read|valeur mesuree|mesure|found value|gemessen|messung|affichage"
        "|ablesewert"
    ),
    "air": phrases(
        "air|air content|air pct|luftgehalt|luft|lp gehalt|teneur en air|air occlus|contenido de"
        " aire|value|values|wert|werte|valeur|valor|percent air|air percent"
    ),
    "actual": phrases("actual|actual air|actual value"),
    "vessel": phrases(
        "vessel|cal vessel|calibration vessel|vessel id|vessel no|canister|can|cup|cylinder"
        "|cal cylinder|reference vessel|measuring vessel|gefass|kalibriergefass|gefass nr"
        "|prufgefass|recipient|recipient d etalonnage|recipient n|vaso|ref vessel|vessel used"
        "|vessel number|standard used|reference used|kalibrierbehalter"
    ),
    "meter": phrases(
        "meter|meter id|meter no|metre|metre no|meter number|meter name|gauge id|gauge no"
        "|gauge number|air meter"
        "|airmeter|air meter id|air meter no|instrument|instrument no|instrument id|equipment"
        "|equipment id|equipment no|equip|equip no|equip id|asset|asset no|asset id|asset tag|unit"
        "|unit no|unit id|device|id|tag|id no|gerat|gerate nr|geratenummer|gerat nr|inventar nr"
        "|inv nr|prufgerat|lp topf|luftporentopf|topf|topf nr|gerate id|prufmittel|prufmittel nr"
        "|lp gerat|messgerat|appareil|appareil n|n appareil|no appareil|aerometre|aerometre n"
        "|numero appareil|identifiant|instrument n|equipo|medidor|aparato|pot|pot no|lab no|lab id"
        "|meter nr|geraet|geraete nr|prufmittelnummer|metre id|air metre|which meter"
        "|am no|n aerometre|inventarnummer"
        "|dial no|dial id|dial number|identification|equipment number|asset number|meter "
        "identification|air meters|meters"
    ),
    "serial": phrases(
        "serial|serial no|serial number|s n|sn|seriennummer|serien nr|ser no"
        "|numero de serie|n serie|n de serie"
    ),
    "zero_reading": phrases(
        "zero reading|reading at zero|zero check|nullanzeige|zero rdg"
        "|lecture a zero|lecture zero|zero air reading"
    ),
    "ignored": phrases(
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
NOISE = phrases(
    "of|the|at|in|for|a|an|no|nr|id|number|value|pct|percent|air|calibration|cal|check|test|water"
    "|on|and|content|vol|by volume|type b|pressure|meter|gauge|dial|air meter|von|der|die|das"
    "|bei|am"
    "|im|und|luft|luftgehalt|de|la|le|l|du|des|a|en|n|d|et|au|point|reading|readings|rdg"
    "|trial|run|is"
    "|was|concrete|type|b|all|values|as|g|lb|kg|psi|kpa|c|f|bar|unit|units|vol %|%|yy|yyyy|mm|dd"
    "|mm dd yyyy|dd mm yyyy|deg|level|verification|per|cent|meas|measurement|room|span|full|bowl"
    "|nominal|stufe|messpunkt|prufpunkt|punkt|air content|teneur en air|adjustment|adj|state|result"
    "|check|checks|scale|we|read|reads|results|step|reference|ref|visit|stage|condition"
    "|lecture|ablesung|anzeige|essai|versuch|messung|series|set|initial|required|optional|manometer"
)


REPLICATE_WORDS = phrases(
    "trial|run|rep|replicate|repeat|shot|attempt|versuch|wiederholung|essai|repetition|messung"
    "|lauf|try|test|reading|rdg|ablesung|lecture|measurement|read|series|set|n"
)


ORDINALS: dict[str, int] = {
    "1st": 1, "2nd": 2, "3rd": 3, "4th": 4, "first": 1, "second": 2, "third": 3, "fourth": 4,
    "i": 1, "ii": 2, "iii": 3, "erste": 1, "zweite": 2, "dritte": 3, "1ere": 1, "2eme": 2,
    "3eme": 3, "premiere": 1, "deuxieme": 2, "1re": 1, "2e": 2, "3e": 3,
}  # fmt: skip


ZERO = phrases(
    "zero|null|nullpunkt|nullwert|zero point|zero check|zero reading|cero|bowl full|"
    "bowl full of water|full bowl|nullanzeige|zero rdg|zero air"
)


# Sheet names that say nothing of what is on the sheet.
PLAIN_SHEET = re.compile(
    r"(?i)^\s*(sheet|tabelle|feuil|feuille|hoja|blatt|arkusz|table|data|daten|données|records?|log"
    r"|calibrations?|air ?meters?|readings|history|register|export|all|main|raw|kalibrier\w*"
    r"|results?|verifications?|form|import|master|list)\s*\d*\s*(\(\d+\))?\s*$"
)
