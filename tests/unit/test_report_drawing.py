"""Drawings: figures as SVG, PNG or PDF, and colours that can be distinguished."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import matplotlib
import pytest
from contrast import GRAPHICS, TEXT, from_hex, ratio

from oscservice.report.drawing import (
    DARK,
    LIGHT,
    PRINTED,
    bare_axes,
    blank,
    page_axes,
    pdf,
    png,
    recoloured,
    style,
    svg,
    variables,
)

SVG = "{http://www.w3.org/2000/svg}"


def figure():
    drawn = blank(300.0, 200.0)
    axes = page_axes(drawn)
    axes.plot([10.0, 290.0], [10.0, 190.0], marker="o", color=LIGHT.after)
    axes.text(100.0, 50.0, "sharp <&> $5$ −1 ± 0.2", color=LIGHT.before)
    return drawn


def drawn(**how):
    with style():
        return svg(figure(), "one", "A <title>", "What & why", **how)


def test_the_same_figure_is_the_same_bytes():
    assert drawn() == drawn()
    with style():
        assert png(figure()) == png(figure())
        assert pdf(figure()) == pdf(figure())
        assert png(figure()).startswith(b"\x89PNG")
        assert pdf(figure()).startswith(b"%PDF")


def test_settings_of_a_user_change_nothing():
    before = drawn()
    with matplotlib.rc_context(
        {"font.size": 30.0, "svg.fonttype": "path", "figure.dpi": 200.0, "lines.linewidth": 9.0}
    ):
        assert drawn() == before
        assert matplotlib.rcParams["font.size"] == 30.0, "and the user has them back afterwards"


def test_an_svg_in_a_page_is_self_contained():
    text = drawn(colours=variables(), in_page=True)
    root = ElementTree.fromstring(text)
    assert root.get("viewBox") == "0 0 300 200"
    assert (root.get("role"), root.findtext(f"{SVG}title"), root.findtext(f"{SVG}desc")) == (
        "img",
        "A <title>",
        "What & why",
    )
    assert {root.get("aria-labelledby"), root.get("aria-describedby")} == {"one-title", "one-desc"}
    assert root.find(f".//{SVG}style") is None, "a style sheet of its own would hold for the whole page"
    assert root.find(f".//{SVG}metadata") is None
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", text)
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids)) >= 4
    assert all(name.startswith("one-") for name in ids)
    references = re.findall(r'(?:url\(#|href="#)([^)"]+)', text)
    assert references
    assert set(references) <= set(ids)
    assert "#" not in re.sub(r'url\(#|href="#', "", text), "every colour is a variable"
    assert "font-family" not in text
    assert [element.text for element in root.iter(f"{SVG}text")] == ["sharp <&> $5$ −1 ± 0.2"]


def test_an_svg_by_itself_has_its_colours_and_font():
    text = drawn()
    assert LIGHT.after in text
    assert "font-family: 'DejaVu Sans', sans-serif" in text
    dark = drawn(colours=DARK.roles())
    assert DARK.after in dark
    assert LIGHT.after not in dark


def test_axes_are_in_the_given_place():
    with style():
        made = blank(300.0, 200.0)
        left, bottom, width, height = bare_axes(made, 30.0, 20.0, 150.0, 100.0).get_position().bounds
    assert (left, bottom, width, height) == pytest.approx((0.1, 0.4, 0.5, 0.5))


@pytest.mark.parametrize("palette", [LIGHT, DARK, PRINTED])
def test_colours_have_enough_contrast_with_their_background(palette):
    def on(one, other):
        return ratio(from_hex(one), from_hex(other))

    for ground in (palette.paper, palette.band):
        assert min(on(palette.ink, ground), on(palette.soft, ground), on(palette.after, ground)) >= TEXT
        assert on(palette.alert, ground) >= TEXT
        assert on(palette.before, ground) >= GRAPHICS
        assert on(palette.line, ground) >= GRAPHICS
    assert on(palette.before, palette.paper) >= TEXT


def test_each_colour_has_one_purpose():
    for palette in (LIGHT, DARK, PRINTED):
        assert len(set(palette.roles().values())) == len(palette.roles())
    assert recoloured(f"fill: {LIGHT.ink}", variables()) == "fill: var(--ink)"
    with pytest.raises(ValueError, match="#123456 is no colour"):
        recoloured("fill: #123456", variables())


@pytest.mark.parametrize(
    ("one", "other", "published"),
    [
        # WCAG 2.2, "contrast ratio": from 1:1 to 21:1. Understanding SC 1.4.3 names #777777 on white as 4.47:1, which
        # may not be rounded up to 4.5:1. #767676, the lightest grey that passes on white, is 4.54:1 in the tables of
        # those who check contrast (from memory).
        ("#000000", "#ffffff", 21.0),
        ("#777777", "#ffffff", 4.47),
        ("#767676", "#ffffff", 4.54),
        ("#ffffff", "#ffffff", 1.0),
    ],
)
def test_contrast_as_published(one, other, published):
    # Published ratios are cut, not rounded: 4.478 is given as 4.47.
    assert int(100.0 * ratio(from_hex(one), from_hex(other)) + 1e-9) == round(100.0 * published)
