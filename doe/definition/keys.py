"""The one table of what study.toml may say. The checks, the JSON Schema and the hints all come from it."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal, get_args

from doe.definition.parts import CURVE_QUANTITIES, Aim, Kind, Scale

Type = Literal["text", "number", "numbers", "whole", "flag", "percent", "pair", "open pair", "texts", "table", "tables"]

_JSON: Mapping[str, dict[str, Any]] = MappingProxyType(
    {
        "text": {"type": "string"},
        "number": {"type": "number"},
        "numbers": {"type": "array", "items": {"type": "number"}},
        "whole": {"type": "integer"},
        "flag": {"type": "boolean"},
        "percent": {"type": "string", "pattern": r"^\s*\d+(\.\d+)?\s*%\s*$"},
        "pair": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
        "open pair": {"type": "array", "items": {"type": ["number", "null"]}, "minItems": 2, "maxItems": 2},
        "texts": {"type": "array", "items": {"type": "string"}},
        "table": {"type": "object"},
        "tables": {"type": "array", "items": {"type": "object"}},
    }
)

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "text": "text in quotes",
        "number": "a number",
        "numbers": "a list of numbers in [ ]",
        "whole": "a whole number",
        "flag": "true or false",
        "percent": 'a percentage such as "10 %"',
        "pair": "two numbers in [ ]",
        "open pair": "two numbers in [ ], inf for an open end",
        "texts": "a list of texts in [ ]",
        "table": "a table in { }",
        "tables": "a list of tables",
    }
)


@dataclass(frozen=True, slots=True)
class Key:
    """One key: the types it may have, the words it may be, its lowest and highest value, and whether it is used yet.

    `parts` are the keys a table of it may have, each with the words allowed; `rows` the keys of each table in a list.
    """

    name: str
    types: tuple[Type, ...]
    doc: str
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above_zero: bool = False
    needed: bool = False
    used: bool = True
    parts: Mapping[str, tuple[str, ...]] | None = None
    rows: Mapping[str, Key] | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the file: `[name]`, or `[[name]]` where it may be repeated."""

    name: str
    repeated: bool
    doc: str
    keys: Mapping[str, Key]


def _section(name: str, doc: str, *keys: Key, repeated: bool = False) -> Section:
    return Section(name, repeated, doc, MappingProxyType({key.name: key for key in keys}))


def _text(name: str, doc: str, *choices: str, needed: bool = False, used: bool = True) -> Key:
    return Key(name, ("text",), doc, choices=choices, needed=needed, used=used)


def _number(name: str, doc: str, low: float | None = None, high: float | None = None, **more: Any) -> Key:
    return Key(name, ("number",), doc, low=low, high=high, **more)


PLANS = (
    "optimal",
    "lattice",
    "centroid",
    "vertices",
    "factorial",
    "fractional",
    "plackett-burman",
    "definitive-screening",
    "central-composite",
    "box-behnken",
    "space-filling",
)
MODELS = ("linear", "quadratic", "special-cubic", "full-cubic")
MODEL_PARTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"blend": MODELS, "process": ("linear", "quadratic", "factorial"), "cross": ("none", "linear", "full")}
)

POLYMERS = ("none", "synthetic", "modified natural", "natural", "degradable", "soluble")

_STUDY = _section(
    "study",
    "The study as a whole.",
    _text("name", "what the study is called", needed=True),
    _text("product", "rinse-off or leave-on", "rinse-off", "leave-on"),
    _text("market", "the market whose limits apply, e.g. EU"),
    _number("total", "what all levels add up to", above_zero=True),
    _text("unit", "the unit of all levels"),
    _number("batch_g", "size of one batch in grams", above_zero=True),
    _number("batches_per_day", "how many batches are made in a day", above_zero=True),
    _number("batch_cost", "labour and overhead of one batch, in currency", 0),
    _number("pack_g", "content of one pack in grams", above_zero=True),
    _text("currency", "the currency of all prices"),
)
_BALANCE = _section(
    "balance",
    "A balance that batches are weighed on.",
    _text("name", "what the balance is called", needed=True),
    _number("step_g", "readability d in grams", above_zero=True, needed=True),
    _number("repeat_g", "repeatability s in grams", 0),
    _number("max_g", "capacity in grams", above_zero=True),
    repeated=True,
)
_SUPPLIED = (
    _text("name", "what it is called in this study", needed=True),
    _number("low", "lowest level", 0),
    _number("high", "highest level", 0),
    _number("step", "weighable step of levels", above_zero=True),
    Key("inci", ("text", "tables"), "INCI name, or a list of name and share for a blend"),
    Key("assay", ("number", "percent"), "active fraction as supplied", high=1, above_zero=True),
    _number("price_per_kg", "price per kg as supplied", 0),
    Key("made_of", ("table",), "what a solution or premix is made of, as fractions"),
    _number("density", "density in g/ml: water has 1, steel 8", 0.01, 25),
    _number("hlb", "HLB of an emulsifier", 0, 50),
    _number("required_hlb", "HLB an oil or wax requires", 0, 50),
    _number("melts_c", "melting point in degrees C"),
    _number("max_c", "highest temperature it stands, in degrees C"),
    _number("ph_low", "lowest pH it works at", 0, 14),
    _number("ph_high", "highest pH it works at", 0, 14),
    _text("charge", "ionic character", "none", "anionic", "cationic", "amphoteric"),
    Key("natural_share", ("number", "percent"), "natural-origin index", low=0, high=1),
    _number("d50_um", "median particle size in micrometres", above_zero=True),
    _number("d90_um", "90 % particle size in micrometres", above_zero=True),
    Key("solids", ("number", "percent"), "dry residue as supplied", low=0, high=1),
    _text("polymer", "whether its particles are a polymer, and of which kind", *POLYMERS),
    Key("acid", ("table", "text"), "the preservative acid it brings: its name, or pka and molar masses"),
    Key("allergens", ("table",), "share of each allergen to be labelled"),
    _number("use_low", "supplier's lowest use level", 0),
    _number("use_high", "supplier's highest use level", 0),
    _text("lot", "the lot in the store-room", used=False),
    Key("lot_assay", ("table",), "active fraction of single lots, where it is not that of assay: lot = fraction"),
    Key(
        "lot_sd",
        ("number", "percent"),
        "sd of the active part from lot to lot, as a fraction of it",
        high=0.5,
        above_zero=True,
    ),
)
_INGREDIENT = _section(
    "ingredient",
    "A raw material as supplied.",
    _SUPPLIED[0],
    Key("qs", ("flag",), "quantum satis: takes up the rest"),
    *_SUPPLIED[1:3],
    _number("level", "fixed level", 0),
    _SUPPLIED[3],
    _text("phase", "the phase it is weighed into"),
    *_SUPPLIED[4:8],
    _text("adjusts", "what it adjusts, e.g. pH; its level is the expected one"),
    Key(
        "choice",
        ("tables",),
        "one of several materials in this place; what one does not say, the ingredient says for it",
        rows=MappingProxyType({key.name: key for key in _SUPPLIED}),
    ),
    Key("or_none", ("flag",), "0, or low to high"),
    Key("withdrawn", ("flag",), "kept in the model with future level 0"),
    Key("was", ("texts",), "earlier names of it"),
    *_SUPPLIED[8:],
    repeated=True,
)
_FACTOR = _section(
    "factor",
    "A process condition, not part of the total.",
    _text("name", "what it is called", needed=True),
    _text("unit", "its unit"),
    _number("low", "its -1"),
    _number("high", "its +1"),
    Key("levels", ("texts",), "named levels of a category"),
    _number("step", "step it can be set in", above_zero=True),
    Key("hard_to_change", ("flag",), "whether it is reset only now and then"),
    Key("was", ("texts",), "earlier names of it"),
    repeated=True,
)
_LIMIT = _section(
    "limit",
    "A linear limit on levels, or a choice that may not be made.",
    _text("rule", "e.g. Wax + Oil <= 9, Humectant / Gum >= 4, or Gum is not Xanthan A", needed=True),
    _text("why", "the reason"),
    _text("when", "only for that choice or category, e.g. Gum is Xanthan A"),
    _text("on", "what it counts: as supplied, or the active part (assay)", "supplied", "active"),
    repeated=True,
)
_RESPONSE = _section(
    "response",
    "Something measured, or computed exactly.",
    _text("name", "what it is called", needed=True),
    _text("unit", "its unit; a named quantity has its own where this is left out"),
    _text("kind", "what its readings are", *get_args(Kind)),
    Key("grades", ("texts",), "names of the grades, worst first"),
    _text("against", "what a curve is read against: shear rate in 1/s, rpm, or time"),
    Key("at", ("number", "numbers"), "what a curve is read at, or the rate of a low-shear viscosity", above_zero=True),
    _text("store", "the condition a jar stands in until it is read, e.g. 40 C"),
    _text("method", "how it is measured"),
    Key("reads", ("open pair",), "lowest and highest the method can read"),
    _number("after_h", "age of the batch when read, in hours", 0),
    _text("scale", "the scale it is fitted on", *get_args(Scale)),
    _text("aim", "what is wanted", *get_args(Aim)),
    Key("low", ("number", "text"), "lower limit; for grades the name of one"),
    Key("target", ("number", "text"), "target; for grades the name of one"),
    Key("high", ("number", "text"), "upper limit; for grades the name of one"),
    Key("must", ("flag",), "false: a wish"),
    _number("weight", "weight among the wishes", 0),
    Key("sd", ("number", "percent"), "expected sd between replicate batches", above_zero=True),
    Key("matters", ("number", "percent"), "smallest difference worth seeing", above_zero=True),
    _number("sample_g", "what the test takes from the batch, in grams", 0),
    _number("exponent_low", "desirability exponent below the target", above_zero=True),
    _number("exponent_high", "desirability exponent above the target", above_zero=True),
    Key(
        "from",
        ("text", "table"),
        "the exact property it is: a quantity such as cost_per_kg, water or natural_origin, or a linear sum of "
        "ingredients; or what is taken from a curve: " + ", ".join(CURVE_QUANTITIES),
    ),
    _text("of", "the curve a quantity is taken from, or the ingredient or name an exact one is of"),
    Key("model", ("text", "table"), "its own model, where it differs from the plan's", MODELS, parts=MODEL_PARTS),
    repeated=True,
)
_REFERENCE = _section(
    "reference",
    "A formula to compare with.",
    _text("name", "what it is called", needed=True),
    Key("levels", ("table",), "its levels, if known"),
    Key("measured", ("table",), "what was measured on it"),
    repeated=True,
)
_STEP = _section(
    "step",
    "One step of making a batch.",
    _text("does", "what is done; a factor in braces, as {Speed}, is printed with its level", needed=True),
    Key("takes", ("texts",), "phases or ingredients that go in here"),
    Key("temp_c", ("number", "pair"), "temperature in degrees C"),
    _number("minutes", "how long, in minutes", 0),
    _number("rpm", "stirrer speed, in 1/min", 0),
    _number("hold_min", "hold in minutes", 0),
    _text("gate", "what must be seen before going on"),
    repeated=True,
)
_MAKE = _section(
    "make",
    "What happens to a batch besides its recipe.",
    Key("loss", ("number", "percent"), "expected evaporation, as a fraction", low=0, high=0.9),
    Key("make_up", ("flag",), "water to weight after cooling"),
    _number("retain_g", "kept sample in grams", 0),
    Key(
        "weigh_tolerance", ("number", "percent"), "tolerance of each weighing, as a fraction", above_zero=True, high=0.5
    ),
)
# Nobody makes more batches than this in one round; a slip of a digit would keep the search busy for days.
MOST_RUNS = 1000
_PLAN = _section(
    "plan",
    "The plan wanted.",
    _text("design", "the kind of plan", *PLANS),
    Key("model", ("text", "table"), "the model the plan is for", MODELS, parts=MODEL_PARTS),
    Key("terms", ("texts",), "the model's terms, one by one"),
    Key("maybe", ("text", "texts"), "terms planned for, but not owed a run each", MODELS),
    _text("criterion", "optimal for: I predictions, D terms (together), A coefficients (one by one)", "I", "D", "A"),
    Key("runs", ("whole",), "number of trials", low=1, high=MOST_RUNS),
    Key("replicate_batches", ("whole",), "trials that repeat another", low=0),
    Key("pure_error_df", ("whole",), "least degrees of freedom for pure error", low=0),
    Key("whole_plots", ("whole",), "times the hard-to-change factors are set", low=1),
    _number("whole_plot_ratio", "variance between whole plots against that of batches within one; 1 unless given", 0),
    Key("must_make", ("tables",), "recipes that must be among the trials"),
    Key("standard", ("table",), "a recipe repeated to watch the bench"),
    Key("blocks", ("whole", "texts"), "number or names of blocks", low=0),
    Key("seed", ("whole",), "seed of all random choices", low=0),
    _text("fraction", "generators of a fractional factorial, or of the corners of a central composite, e.g. D = ABC"),
    Key("centre_points", ("whole",), "centre points of a classical plan", low=0),
    _text("axial", "where the axial trials of a central composite lie", "rotatable", "inscribed", "face"),
    Key("degree", ("whole",), "degree of a simplex lattice", low=1, high=10),
)
_DONE = _section(
    "done",
    "When to stop.",
    Key("chance", ("number", "percent"), "the chance wanted", above_zero=True, high=1),
    Key("max_batches", ("whole",), "most batches", low=1),
    _number("budget", "most money, in currency", 0),
)
_ACCEPT = _section(
    "accept",
    "A stop-level finding taken on purpose.",
    _text("finding", "its code", needed=True),
    _text("why", "the reason", needed=True),
    _text("by", "who takes it", needed=True),
    repeated=True,
)
_LAW = _section(
    "law",
    "A legal or house limit that the shipped list does not have, or has otherwise.",
    _text("substance", "what is limited", needed=True),
    Key("names", ("texts",), "INCI names that count; the substance itself unless given"),
    Key("max", ("number",), "highest share of the product, in %", low=0, high=100, needed=True),
    _text("as_acid", "the acid it is counted as, e.g. benzoic"),
    _text("market", "the market it holds for; any unless given"),
    _text("product", "rinse-off or leave-on; both unless given", "rinse-off", "leave-on"),
    _text("source", "where it stands", needed=True),
    _text("edition", "date of the text that was read, as 2026-05 or 2026-05-04", needed=True),
    repeated=True,
)

SECTIONS: Mapping[str, Section] = MappingProxyType(
    {
        section.name: section
        for section in (
            _STUDY,
            _BALANCE,
            _INGREDIENT,
            _FACTOR,
            _LIMIT,
            _RESPONSE,
            _REFERENCE,
            _STEP,
            _MAKE,
            _PLAN,
            _DONE,
            _ACCEPT,
            _LAW,
        )
    }
)

# Columns a table given to `record` may have beside names of the study; no name may be one of them.
RESERVED = (
    "trial",
    "batch",
    "reading",
    "round",
    "block",
    "whole_plot",
    "order",
    "made_at",
    "read_at",
    "operator",
    "set_aside",
    "note",
    "response",
    "value",
)
# What a name may not begin with: columns of tables are called so, each after the ingredient it belongs to.
RESERVED_BEGINNINGS = ("lot:", "set:", "material:")
# Columns of the tables made from it, spelt like this only.
RESERVED_AS_SPELT = ("state", "why", "day", "source_id")


def nearest(word: str, known: tuple[str, ...]) -> str | None:
    """The known word most like `word`, or None when none is near."""
    # The match is slow for long texts; none of these is the misspelling of a name.
    if len(word) > 100:
        return None
    folded = {k.casefold(): k for k in reversed(known)}
    near = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.6)
    return folded[near[0]] if near else None


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of study.toml, for editors."""
    properties: dict[str, Any] = {}
    for section in SECTIONS.values():
        body = {"description": section.doc, **_table_schema(section.keys)}
        properties[section.name] = {"type": "array", "items": body} if section.repeated else body
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A Blendwright study",
        "type": "object",
        "properties": properties,
        "required": ["study"],
        "additionalProperties": False,
    }


def _table_schema(keys: Mapping[str, Key]) -> dict[str, Any]:
    body: dict[str, Any] = {
        "type": "object",
        "properties": {key.name: _key_schema(key) for key in keys.values()},
        "additionalProperties": False,
    }
    needed = [key.name for key in keys.values() if key.needed]
    return {**body, "required": needed} if needed else body


def _key_schema(key: Key) -> dict[str, Any]:
    options = []
    for kind in key.types:
        option = dict(_JSON[kind])
        if kind in ("number", "whole"):
            if key.low is not None:
                option["minimum"] = key.low
            if key.high is not None:
                option["maximum"] = key.high
            if key.above_zero:
                option["exclusiveMinimum"] = 0
        if kind == "text" and key.choices:
            option["enum"] = list(key.choices)
        if kind == "table" and key.parts is not None:
            option["properties"] = {name: {"type": "string", "enum": list(words)} for name, words in key.parts.items()}
            option["additionalProperties"] = False
        if kind == "tables" and key.rows is not None:
            option["items"] = _table_schema(key.rows)
        options.append(option)
    body = options[0] if len(options) == 1 else {"anyOf": options}
    return {"description": key.doc, **body}
