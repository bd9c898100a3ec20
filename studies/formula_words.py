"""The words that head the columns of a formula as chemists keep it, in several languages, and those of its rows."""

from __future__ import annotations

import re
import unicodedata

# Words of everyday spreadsheets: English, German, French, Spanish, Italian, Dutch, Portuguese and Polish; from memory.
_HEADS: dict[str, tuple[str, ...]] = {
    "name": (
        "ingredient", "ingredients", "raw material", "raw materials", "material", "name", "trade name", "component",
        "product", "commercial name", "rohstoff", "rohstoffe", "inhaltsstoff", "bestandteil", "handelsname",
        "bezeichnung", "matiere", "matieres",
        "matiere premiere", "matieres premieres", "nom commercial", "nom", "materia prima",
        "materias primas", "nombre", "nombre comercial", "ingrediente", "ingredientes", "ingredienti",
        "ingredient name",
        "materie prime", "nome commerciale", "nome comercial", "grondstof", "grondstoffen", "handelsnaam", "naam",
        "surowiec", "surowce", "skladnik", "nazwa", "nazwa handlowa", "rm", "description", "item",
    ),
    "inci": ("inci", "inci name", "inci designation", "inci bezeichnung", "nom inci", "nombre inci", "nome inci",
             "inci naam", "nazwa inci", "cosing name"),
    "phase": ("phase", "part", "ph", "fase", "faza", "teil", "partie", "section"),
    "low": ("low", "min", "minimum", "from", "lower", "lowest", "von", "ab", "untergrenze", "unten", "mini", "de",
            "minimo", "desde", "da", "van", "od", "low %", "min %", "use low"),
    "high": ("high", "max", "maximum", "to", "upper", "highest", "bis", "obergrenze", "oben", "maxi", "a", "maximo",
             "hasta", "massimo", "tot", "do", "high %", "max %", "use high"),
    "range": ("range", "bereich", "spanne", "intervalle", "plage", "rango", "intervallo", "bereik", "zakres",
              "use level", "use range", "recommended level", "dosage"),
    "supplier": ("supplier", "vendor", "manufacturer", "lieferant", "hersteller", "fournisseur", "proveedor",
                 "fornitore", "leverancier", "fornecedor", "dostawca"),
    "function": ("function", "role", "purpose", "funktion", "zweck", "fonction", "funcion", "funzione", "functie",
                 "funcao", "funkcja"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "bemerkung", "bemerkungen", "kommentar",
             "remarque", "remarques", "nota", "notas", "note di lavoro", "opmerking", "uwagi", "cas", "cas no", "lot",
             "charge", "batch no"),
}  # fmt: skip
_GRAMS = re.compile(r"(?:.* )?(?:g|gr|kg|grams?|gramm|grammes|gramos|grammi|gramy|kilos?)|weight|einwaage")
_SHARE = (
    "percent", "prozent", "pourcent", "porcentaje", "percentuale", "procent", "level", "share", "anteil", "gehalt",
    "teneur", "dose", "concentration", "konzentration", "wt", "w w", "m m", "p p", "gew", "content",
)  # fmt: skip
_AMOUNT = (
    "amount", "quantity", "qty", "menge", "quantite", "cantidad", "quantita", "hoeveelheid", "ilosc", "quantidade",
)  # fmt: skip
_PRICE = re.compile(r"\b(price|cost|preis|kosten|prix|cout|precio|coste|prezzo|costo|prijs|preco|custo|cena|koszt)\b")
_PER = re.compile(r"(?:/|\bper\b|\bpro\b|\bpar\b|\bpor\b|\bal\b)\s*(100\s*g|kg|kilo|t|ton|tonne|g|l)\b")
_MONEY = {"€": "EUR", "eur": "EUR", "£": "GBP", "gbp": "GBP", "$": "USD", "usd": "USD", "chf": "CHF", "pln": "PLN",
          "zl": "PLN", "sek": "SEK", "dkk": "DKK", "nok": "NOK", "jpy": "JPY", "¥": "JPY"}  # fmt: skip
KG_PER = {"kg": 1.0, "kilo": 1.0, "t": 1000.0, "ton": 1000.0, "tonne": 1000.0, "g": 0.001, "100 g": 0.1, "100g": 0.1}

WATER = re.compile(r"\b(water|aqua|aq\.?|eau|wasser|agua|água|acqua|woda|vatten|vand|vann)\b", re.IGNORECASE)
REST = re.compile(
    r"\(?\s*(?:q\.?\s*s\.?(?:\s*p\.?)?|q\.?\s*b\.?|ad|to|bis|zu|hasta|fino a|do|tot|up to|rest|reste|resto|balance|"
    r"remainder)\s*\)?\s*(?:(?:to|ad|a|à|p)?\s*100(?:[.,]0+)?\s*%?)?\s*\)?",
    re.IGNORECASE,
)
ADJUSTS = re.compile(r"\bp\.?\s*h\b", re.IGNORECASE)
_ADJUSTERS = re.compile(
    r"citric|lactic acid|hydroxide|zitronen|citronens|milchs|natronlauge|soude|acide|sosa|soda\b|triethanolamine|"
    r"trometh?amine|\bnaoh\b|\bkoh\b|arginine|ph adjust",
    re.IGNORECASE,
)
TOTAL = re.compile(
    r"(grand\s+)?(sub)?\s*(total|totale|totals|sum|summe|gesamt|gesamtsumme|somme|suma|razem|totaal|soma|ogolem)\b.*",
    re.IGNORECASE,
)
PHASE_ROW = re.compile(r"(?:phase|part|teil|fase|faza|partie)\s*[:.\-]?\s*([A-Z0-9]{1,3})\b.*", re.IGNORECASE)


def plain_words(text: str) -> str:
    """A heading without accents, brackets and marks, in small letters."""
    bare = unicodedata.normalize("NFKD", text)
    bare = "".join(sign for sign in bare if not unicodedata.combining(sign)).casefold()
    return " ".join(re.sub(r"[^\w%€£$¥/]+", " ", bare).split())


def kind_of(heading: str) -> str:
    """What a column holds: name, share, ppm, grams, amount, inci, phase, price, low, high, range ...; "" if unknown."""
    words = plain_words(heading)
    if not words:
        return ""
    if _PRICE.search(words) or re.search(r"[€£$]\s*/?\s*kg", words):
        return "price"
    for kind in ("low", "high", "range"):
        if words in _HEADS[kind] or words.replace("%", "").strip() in _HEADS[kind]:
            return kind
    if "ppm" in words.split():
        return "ppm"
    if _GRAMS.fullmatch(words):
        return "grams"
    if "%" in words or words in _SHARE or any(words.startswith(f"{word} ") for word in ("wt", "gew")):
        return "share"
    for kind, known in _HEADS.items():
        if words in known:
            return kind
    if words in _AMOUNT:
        return "amount"
    return "name" if "inci" not in words and any(words.startswith(f"{one} ") for one in _HEADS["name"][:6]) else ""


def is_kilograms(heading: str) -> bool:
    """Whether a column of weights is in kilograms."""
    return bool(re.search(r"\bkg\b", plain_words(heading)))


def price_unit(heading: str) -> tuple[str, str]:
    """The currency and the amount that a price is for, as they stand in a heading; "" where they do not."""
    words = plain_words(heading)
    money = next((code for sign, code in _MONEY.items() if re.search(rf"(?<!\w){re.escape(sign)}(?!\w)", words)), "")
    per = _PER.search(words)
    return money, " ".join(per[1].split()) if per else ""


def is_adjuster(name: str, inci: str, level_text: str) -> bool:
    """Whether a line without a level is there to adjust the pH."""
    return bool(ADJUSTS.search(level_text) or _ADJUSTERS.search(f"{name} {inci}"))
