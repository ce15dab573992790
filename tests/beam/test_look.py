"""Settings of the picture by name, from the command line and from files."""

from pathlib import Path

import pytest

from instrument.beam.look import SETTINGS, Look, look_of, read_look

EXAMPLES: dict[str, object] = {
    "phosphor": "P7",
    "eye": "0.03",
    "focus": "2",
    "astigmatism": "-0.2",
    "intensity": "3",
    "halo": "0.2",
    "saturation": "50",
    "glass": "5:4",
    "rotate": "45",
    "mirror": "x",
    "zoom": "0.5",
    "graticule": "1",
    "background": "0.1,0.2,0.3",
    "oversampling": "8",
    "coupling": "5",
    "bandwidth": "20000",
}


def test_there_is_an_example_of_every_setting() -> None:
    assert list(EXAMPLES) == list(SETTINGS)


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_setting_changes_the_look(name: str) -> None:
    assert look_of([f"{name}={EXAMPLES[name]}"]) != Look()


def test_settings_come_one_after_the_other_and_the_phosphor_by_itself() -> None:
    look = look_of(["zoom=2", "zoom = 3", "", "p39"])
    assert look.glass.zoom == 3
    assert look.phosphor.name == "P39"


def test_a_file_holds_any_of_them_and_a_phosphor_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "dusk.toml"
    path.write_text(
        'zoom = 1.5\nbackground = [0.02, 0.02, 0.04]\n[phosphor]\nname = "dusk"\n[[phosphor.layer]]\n'
        "chromaticity = [0.5, 0.4]\ntenth = 0.01\n[[phosphor.layer]]\nchromaticity = [0.2, 0.2]\ntenth = 1\n"
        'law = "power 2"\nshare = 0.5\n'
    )
    look = look_of([str(path), "rotate=90"])
    assert (look.glass.zoom, look.glass.rotate) == (1.5, 90)
    assert look.phosphor.name == "dusk"
    assert [layer.law for layer in look.phosphor.layers] == ["exponential", "power 2"]
    assert look.light(100, 80).width == 100


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("miror=x", "did you mean mirror?"),
        ("zoom=big", "zoom is a number, not 'big'"),
        ("oversampling=2.5", "a whole number"),
        ("oversampling=3", "use 1, 2, 4 or 8"),
        ("background=red", "red, green and blue from 0 to 1"),
        ("phosphor=P99", "known are P1"),
        ("eye=0.001", "from 0.005 to 10"),
        ("coupling=-1", "a coupling of -1 Hz"),
        ("halo=nan", "goes from 0 to 0.9"),
    ],
)
def test_what_cannot_be_is_refused_with_what_can(word: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        look_of([word])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("zoom = 1\nmirror = 3\n", r"look\.toml, line 2: mirror: mirror is a word, not 3"),
        ("\n\nzoom = true\n", r"line 3: zoom: zoom is a number, not True"),
        ("zoom = \n", r"look\.toml: is not TOML"),
        ("[phosphor]\nname = 'x'\n", r"line 1: phosphor: .* one or two \[\[phosphor\.layer\]\]"),
        ("[[phosphor.layer]]\ntenth = 1\n", "needs chromaticity"),
        ("[[phosphor.layer]]\ntenth = 1\nchromaticity = [1]\n", r"is \[x, y\]"),
        ("[[phosphor.layer]]\ntenth = 1\nchromaticity = [0.3, 0.3]\ncolour = 1\n", "no field called colour"),
        (
            "[phosphor]\nhue = 1\n[[phosphor.layer]]\ntenth = 1\nchromaticity = [0.3, 0.3]\n",
            "no field called hue",
        ),
    ],
)
def test_a_file_is_refused_by_line(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "look.toml"
    path.write_text(text)
    with pytest.raises(ValueError, match=said):
        read_look(path)
