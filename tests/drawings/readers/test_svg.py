"""SVG: every shape, nested transforms, references and units, and what a bad element costs."""

from __future__ import annotations

import gzip
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from instrument.drawings.limits import DrawingError, Tolerances
from instrument.drawings.readers.svg import parse_svg
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import Drawing, edge_lengths
from tests.drawings.drawings import check_route

FINE = Tolerances(flatten=1e-6)


def draw(body: str, attributes: str = "", tolerances: Tolerances = FINE) -> Drawing:
    head = f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {attributes}>'
    return parse_svg(f"{head}{body}</svg>".encode(), tolerances)


def length(drawing: Drawing) -> float:
    return float(edge_lengths(drawing.points, drawing.edges).sum())


def corners(drawing: Drawing) -> list[tuple[float, float]]:
    """Points in the file's own sense, y downwards, rounded."""
    return [(round(x, 6) + 0.0, round(-y, 6) + 0.0) for x, y, _ in drawing.points.tolist()]


def ellipse_perimeter(a: float, b: float) -> float:
    """4 a E(1 - b^2/a^2), NIST Digital Library of Mathematical Functions, section 19.9(i)."""
    return float(4 * a * special.ellipe(1 - (b / a) ** 2))


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        ('<rect x="1" y="2" width="3" height="4"/>', 14.0),
        ('<rect width="10" height="8" rx="2"/>', 2 * (6 + 4) + 4 * math.pi),
        ('<rect width="10" height="8" rx="3" ry="2"/>', 2 * (4 + 4) + ellipse_perimeter(3, 2)),
        ('<circle cx="5" cy="5" r="4"/>', 8 * math.pi),
        ('<ellipse cx="5" cy="5" rx="5" ry="3"/>', ellipse_perimeter(5, 3)),
        ('<line x1="0" y1="0" x2="3" y2="4"/>', 5.0),
        ('<polyline points="0,0 3,0 3,4"/>', 7.0),
        ('<polygon points="0,0 3,0 3,4"/>', 12.0),
        ('<path d="M0 0h3v4z"/>', 12.0),
        ('<path d="M0,0 L3,0 l0,4 M10 10 H13 V14"/>', 14.0),
        ('<path d="M0 0 A5 5 0 0 1 10 0"/>', 5 * math.pi),
        ('<path d="M0 0a5 5 0 1 0 5 5"/>', 7.5 * math.pi),
    ],
)
def test_a_shape_is_drawn_in_full(shape: str, expected: float) -> None:
    assert length(draw(shape)) == pytest.approx(expected, rel=1e-4)


def test_curves_are_as_long_as_their_integral() -> None:
    def speed(t: float) -> float:
        p = np.array([(0, 0), (0, 10), (10, 10), (10, 0)])
        d = 3 * ((1 - t) ** 2 * (p[1] - p[0]) + 2 * t * (1 - t) * (p[2] - p[1]) + t**2 * (p[3] - p[2]))
        return float(np.linalg.norm(d))

    expected = integrate.quad(speed, 0, 1)[0]
    assert length(draw('<path d="M0 0C0 10 10 10 10 0"/>')) == pytest.approx(expected, rel=1e-4)
    # A parabola's arc: the quadratic from (0,0) by (1,2) to (2,0) is y = 2x - x^2.
    parabola = integrate.quad(lambda x: math.hypot(1, 2 - 2 * x), 0, 2)[0]
    assert length(draw('<path d="M0 0Q1 2 2 0"/>')) == pytest.approx(parabola, rel=1e-4)
    smooth = draw('<path d="M0 0Q1 2 2 0T4 0"/>')
    assert length(smooth) == pytest.approx(2 * parabola, rel=1e-4)


@pytest.mark.parametrize("tolerance", [1e-2, 1e-3, 1e-4])
def test_a_flattened_circle_leaves_the_circle_by_no_more_than_the_tolerance(tolerance: float) -> None:
    drawing = draw('<circle r="1"/>', tolerances=Tolerances(flatten=tolerance))
    middles = drawing.points[drawing.edges].mean(axis=1)
    depth = 1 - np.linalg.norm(middles, axis=1).min()
    # The size that the tolerance is a share of: the bounding square's diagonal.
    assert 0.2 * tolerance < depth / (2 * math.sqrt(2)) <= tolerance * 1.001


def test_transforms_nest_and_run_from_the_outside_in() -> None:
    body = '<g transform="translate(10,20)"><g transform="rotate(90) scale(2)"><line x2="1"/></g></g>'
    assert corners(draw(body)) == [(10, 20), (10, 22)]
    matrix = '<g transform="matrix(1 2 3 4 5 6)"><line x1="1" y1="1" x2="2" y2="0"/></g>'
    assert corners(draw(matrix)) == [(9, 12), (7, 10)]
    skew = '<line x2="0" y2="1" transform="skewX(45)"/>'
    assert corners(draw(skew)) == [(0, 0), (1, 1)]


def test_a_view_box_is_fitted_into_its_viewport() -> None:
    # SVG 1.1, section 7.8: xMidYMid meet, the smaller scale of the two, centred.
    drawing = draw('<line x2="10" y2="10"/>', 'width="40" height="20" viewBox="0 0 10 10"')
    assert corners(drawing) == [(10, 0), (30, 20)]


@pytest.mark.parametrize(
    ("unit", "pixels"),
    [("", 1), ("px", 1), ("in", 96), ("cm", 96 / 2.54), ("mm", 96 / 25.4), ("pt", 96 / 72), ("pc", 16)],
)
def test_units_are_those_of_css(unit: str, pixels: float) -> None:
    assert length(draw(f'<line x2="3{unit}" y2="4{unit}"/>')) == pytest.approx(5 * pixels, rel=1e-5)


def test_use_places_what_it_refers_to() -> None:
    body = '<defs><g id="buoy"><line x2="1"/></g></defs><use xlink:href="#buoy" x="5" y="7" transform="scale(2)"/>'
    assert corners(draw(body)) == [(10, 14), (12, 14)]
    assert corners(draw(body.replace("xlink:href", "href"))) == [(10, 14), (12, 14)]


def test_a_symbol_is_drawn_only_where_it_is_used_and_as_large_as_asked() -> None:
    body = '<symbol id="s" viewBox="0 0 10 10"><line x2="10" y2="10"/></symbol>'
    used = draw(body + '<use href="#s" x="100" width="20" height="20"/>')
    assert corners(used) == [(100, 0), (120, 20)]
    with pytest.raises(DrawingError, match="nothing in it can be drawn"):
        draw(body)


@pytest.mark.parametrize("hidden", ["defs", "clipPath", "mask", "marker", "pattern"])
def test_what_is_only_defined_is_not_drawn(hidden: str) -> None:
    assert length(draw(f'<{hidden}><line x2="99"/></{hidden}><line x2="1"/>')) == 1.0


@pytest.mark.parametrize("how", ['display="none"', 'style="display:none"', 'class="off"'])
def test_what_is_not_displayed_is_not_drawn(how: str) -> None:
    style = "<style>.off { display: none }</style>"
    assert length(draw(f'{style}<line x2="99" {how}/><g {how}><line y2="5"/></g><line x2="1"/>')) == 1.0


@pytest.mark.parametrize(
    ("bad", "warning"),
    [
        ("<path/>", "1 left out: paths without data"),
        ('<path d=" "/>', "1 left out: paths without data"),
        ('<circle r="wide"/>', "1 left out: <circle> that cannot be read"),
        ('<path d="M0 0L1 x"/>', "1 left out: <path> that cannot be read"),
        ('<line x2="1" transform="spin(3)"/>', ""),
        ("<text>harbour</text>", "1 left out: text (convert it to paths)"),
        ('<image href="file:///etc/passwd" width="3" height="3"/>', "1 left out: pictures"),
        ('<use href="#nowhere"/>', "1 left out: references to nothing"),
        ('<use href="other.svg#moth"/>', "1 left out: references to other files"),
        ('<g id="a"><use href="#a"/></g>', "1 left out: references that lead back to themselves"),
        ('<polygon points="1,1 2"/>', ""),
        ('<path d="M 1e999 0 L 2 2"/>', ""),
    ],
)
def test_a_bad_element_costs_that_element_and_a_warning(bad: str, warning: str) -> None:
    drawing = draw(f'<line x2="3" y2="4"/>{bad}')
    assert length(drawing) >= 5.0
    assert math.isfinite(length(drawing))
    assert not warning or any(word.startswith(warning) for word in drawing.warnings)


def test_an_undeclared_prefix_costs_nothing() -> None:
    source = b'<svg><g id="a"><line x2="1"/></g><use xlink:href="#a" y="2"/><inkscape:grid odd:x="1"/></svg>'
    assert length(parse_svg(source)) == 2.0


def test_a_damaged_attribute_name_costs_nothing() -> None:
    assert length(parse_svg('<svg><line tran\u00e9form\u0439="x" x2="1"/></svg>'.encode())) == 1.0


def test_a_prefixed_file_is_the_same_file() -> None:
    source = b'<s:svg xmlns:s="http://www.w3.org/2000/svg"><s:line x2="3" y2="4"/></s:svg>'
    assert length(parse_svg(source)) == 5.0


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "latin-1", "windows-1252", "koi8-r"])
def test_a_file_is_read_in_its_declared_encoding(encoding: str) -> None:
    name = "цапля" if encoding == "koi8-r" else "Möwe"
    source = f'<?xml version="1.0" encoding="{encoding}"?><svg><title>{name}</title><line x2="1"/></svg>'
    assert length(parse_svg(source.encode(encoding))) == 1.0


def test_a_wrongly_declared_encoding_costs_nothing() -> None:
    source = '<?xml version="1.0" encoding="utf-8"?><svg><title>Möwe</title><line x2="1"/></svg>'
    assert length(parse_svg(source.encode("latin-1"))) == 1.0


def test_entities_for_namespaces_and_named_letters_are_harmless() -> None:
    source = (
        b'<!DOCTYPE svg [<!ENTITY ns "http://www.w3.org/2000/svg">]>'
        b'<svg xmlns="&ns;"><title>a&nbsp;b</title><line x2="1"/></svg>'
    )
    assert length(parse_svg(source)) == 1.0


def test_a_compressed_file_is_unpacked() -> None:
    assert length(parse_svg(gzip.compress(b'<svg><line x2="1"/></svg>'))) == 1.0


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (b"<svg/>", "nothing in it can be drawn"),
        (b"<svg><text>a</text></svg>", r"nothing in it can be drawn \(1 left out: text"),
        (b"<html/>", "the outermost element is <html>"),
        (b"<svg><g>", "not well-formed XML"),
        (b"tide", "not well-formed XML"),
        (b'<svg width="0" height="0" viewBox="0 0 1 1"><line x2="1"/></svg>', "nothing in it can be drawn"),
    ],
)
def test_a_file_with_nothing_to_draw_says_so(source: bytes, words: str) -> None:
    with pytest.raises(DrawingError, match=words):
        parse_svg(source)


NUMBER = st.integers(-50, 50).map(str) | st.floats(-50, 50).map(lambda x: f"{x:.4g}")


@st.composite
def paths(draw_: st.DrawFn) -> str:
    """Path data of every command."""
    counts = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "Z": 0}
    commands = ["M0 0 L7 3"]
    for letter in draw_(st.lists(st.sampled_from([*counts, *map(str.lower, counts), "A"]), max_size=8)):
        if letter == "A":
            radii = [str(draw_(st.integers(0, 30))) for _ in range(2)]
            flags = [draw_(st.sampled_from("01")) for _ in range(2)]
            commands.append(" ".join(["A", *radii, draw_(NUMBER), *flags, draw_(NUMBER), draw_(NUMBER)]))
        else:
            commands.append(" ".join([letter, *(draw_(NUMBER) for _ in range(counts[letter.upper()]))]))
    return " ".join(commands)


@given(paths(), st.sampled_from(["", "rotate(30)", "scale(2 -1)", "skewX(20) translate(3 4)"]))
@settings(max_examples=100, deadline=None)
def test_any_path_becomes_a_route_over_all_of_it(data: str, transform: str) -> None:
    check_route(route(draw(f'<path d="{data}" transform="{transform}"/>', tolerances=Tolerances(flatten=1e-3))))


@pytest.mark.parametrize("attribute", ['display="none"', 'style="fill: red; display:none"'])
def test_a_drawing_that_hides_itself_is_refused_with_that_reason(attribute: str) -> None:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" {attribute}><path d="M0 0L9 9"/></svg>'
    with pytest.raises(DrawingError, match=r"nothing in it can be drawn \(1 left out: drawing that hides itself"):
        parse_svg(svg.encode())


HOOK = '<path d="M1 2L5 2L5 7"/>'


@pytest.mark.parametrize(
    ("hidden", "said"),
    [
        ('<path d="M0 0H9" visibility="hidden"/>', "visibility"),
        ('<g visibility="collapse"><path d="M0 0H9"/></g>', "visibility"),
        ('<path d="M0 0H9" style="visibility: hidden"/>', "visibility"),
        ('<style>.night {visibility: hidden}</style><path class="night" d="M0 0H9"/>', "visibility"),
        ('<path d="M0 0H9" fill="none"/>', "neither fill nor stroke"),
        ('<path d="M0 0H9" fill="none" stroke="none"/>', "neither fill nor stroke"),
        ('<g fill="transparent"><path d="M0 0H9"/></g>', "neither fill nor stroke"),
        ('<path d="M0 0H9" fill="none" stroke="black" stroke-width="0"/>', "neither fill nor stroke"),
        ('<path d="M0 0H9" fill-opacity="0" stroke="black" stroke-opacity="0.0"/>', "neither fill nor stroke"),
        ('<path d="M0 0H9" opacity="0%"/>', "transparent"),
    ],
)
def test_what_no_viewer_shows_is_left_out_and_said(hidden: str, said: str) -> None:
    # SVG 1.1: visibility in section 11.5, fill and stroke in 11.3 and 11.4, opacity in 14.5.
    drawing = draw(HOOK + hidden)
    assert length(drawing) == pytest.approx(9.0)
    assert [word for word in drawing.warnings if said in word and word.startswith("1 left out")]


@pytest.mark.parametrize(
    "seen",
    [
        '<g visibility="hidden"><path d="M0 0H9" visibility="visible"/></g>',
        '<path d="M0 0H9" fill="none" stroke="currentColor"/>',
        '<g fill="none"><path d="M0 0H9" style="fill:#123"/></g>',
        '<path d="M0 0H9" fill="url(#tide)"/>',
        '<path d="M0 0H9" opacity="0.01"/>',
    ],
)
def test_what_a_viewer_shows_is_drawn(seen: str) -> None:
    assert length(draw(HOOK + seen)) == pytest.approx(18.0)


@pytest.mark.parametrize("view", ["", 'viewBox="0 0 10 10"', 'viewBox="-20 -30 40 60"', 'viewBox="3 1 10 10"'])
def test_coordinates_are_the_files_wherever_its_view_begins(view: str) -> None:
    assert corners(draw(HOOK, view)) == [(1, 2), (5, 2), (5, 7)]


@pytest.mark.parametrize(
    "moving",
    [
        '<path d="M0 0H9"><animate attributeName="d" to="M0 0H8"/></path>',
        '<g><animateTransform attributeName="transform" type="rotate"/></g>',
        '<path d="M0 0H9"><animateMotion path="M0 0H1"/></path>',
        '<set attributeName="visibility" to="hidden"/>',
        "<style>@keyframes swell {to {opacity: 0}}</style>",
    ],
)
def test_animation_is_said_to_be_left_out(moving: str) -> None:
    (word,) = draw(HOOK + moving).warnings
    assert word.startswith("1 left out: animations")
    assert "flip-book" in word
