"""The look in one place: colours and fonts. Page, sheets, workbook and pictures all take theirs here.

Warm paper and dark ink, one accent hue, and clay for what misses (never as the only sign). Contrasts follow
WCAG 2.2 (4.5:1 for text, 3:1 for marks), by its own formula, see `contrast`; a test holds them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours as `#RRGGBB`. `steps` run from almost paper to full accent: contours and jars use them.

    `on_accent` is text on a filled accent; `well` is a sunken background for what is fixed; `thread` is a
    stronger rule for axes and brackets, at least 3:1 on paper.
    """

    paper: str
    well: str
    ink: str
    faint: str
    rule: str
    thread: str
    accent: str
    on_accent: str
    clay: str
    clay_tint: str
    steps: tuple[str, str, str, str, str, str]


LIGHT = Palette(
    paper="#FBFAF6",
    well="#F1EEE5",
    ink="#20262B",
    faint="#5E676D",
    rule="#D9D6CC",
    thread="#878C8B",
    accent="#0C6470",
    on_accent="#FFFFFF",
    clay="#A4502F",
    clay_tint="#EED9CD",
    steps=("#EDF2EF", "#D3E3E2", "#ABCCCD", "#7BAFB3", "#478C94", "#0C6470"),
)

DARK = Palette(
    paper="#1B1F21",
    well="#252A2C",
    ink="#E9E6DD",
    faint="#A3ABAD",
    rule="#3B4144",
    thread="#767E80",
    accent="#6FBFC6",
    on_accent="#10181A",
    clay="#E0936E",
    clay_tint="#4A332A",
    steps=("#22302F", "#263E40", "#2C5357", "#366D72", "#4A949A", "#6FBFC6"),
)

# System fonts only: nothing is loaded, every machine has one of these.
TEXT_FONT = "'Iowan Old Style', 'Palatino Linotype', Palatino, 'Book Antiqua', 'URW Palladio L', Georgia, serif"
FIGURE_FONT = "system-ui, -apple-system, 'Segoe UI', 'Helvetica Neue', Arial, 'Noto Sans', sans-serif"
MONO_FONT = "ui-monospace, 'SF Mono', Menlo, Consolas, 'DejaVu Sans Mono', 'Liberation Mono', monospace"
OFFICE_FONT = "Calibri"  # in workbooks: the spreadsheet's own, so that columns keep their width


def bare(colour: str) -> str:
    """`#RRGGBB` as `RRGGBB`, the form that workbooks take."""
    return colour.removeprefix("#")


def luminance(colour: str) -> float:
    """Relative luminance of `#RRGGBB`, 0 (black) to 1 (white). WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, 1 to 21. WCAG 2.2, definition of contrast ratio: (L1 + 0.05) / (L2 + 0.05)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def css_variables(palette: Palette) -> str:
    """The palette and the fonts as CSS custom properties: `--paper: #FBFAF6; ... --step-0: ...`."""
    lines = [f"--{f.name.replace('_', '-')}: {getattr(palette, f.name)};" for f in fields(palette) if f.name != "steps"]
    lines += [f"--step-{i}: {colour};" for i, colour in enumerate(palette.steps)]
    lines += [f"--text-font: {TEXT_FONT};", f"--figure-font: {FIGURE_FONT};", f"--mono-font: {MONO_FONT};"]
    return " ".join(lines)
