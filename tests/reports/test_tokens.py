"""Colours by the rules of WCAG 2.2: text 4.5:1 and lines that carry meaning 3:1 on their ground (1.4.3 and 1.4.11)."""

import pytest

from reports.tokens import DARK, LIGHT, contrast, css_variables, luminance


def test_contrast_agrees_with_known_pairs():
    # WCAG 2.2: black on white is 21:1; #767676 is the lightest grey that passes 4.5:1 on white (4.54, from memory).
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#FFFFFF") < 4.5
    assert contrast("#123456", "#123456") == 1


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_text_reads_on_every_ground(palette):
    for ground in (palette.paper, palette.well):
        for text in (palette.ink, palette.faint, palette.accent, palette.clay):
            assert contrast(text, ground) >= 4.5, (text, ground)
    assert contrast(palette.on_accent, palette.accent) >= 4.5
    assert contrast(palette.ink, palette.clay_tint) >= 4.5
    assert contrast(palette.thread, palette.paper) >= 3


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_steps_go_one_way_in_lightness(palette):
    # One hue in lightness: readable in grey and by colour-blind readers.
    light = [luminance(c) for c in palette.steps]
    apart = [contrast(a, b) for a, b in zip(palette.steps, palette.steps[1:], strict=False)]
    assert light in (sorted(light), sorted(light, reverse=True))
    assert min(apart) > 1.13


def test_variables_name_every_colour():
    text = css_variables(LIGHT)
    assert "--on-accent: #FFFFFF;" in text
    assert "--step-5: #0C6470;" in text
