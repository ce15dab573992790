"""An SVG's elements are reduced to groups and shapes that can be drawn, with every reference put in its place."""

from __future__ import annotations

import re
from collections import Counter
from xml.etree.ElementTree import Element

from instrument.drawings.refusal import DrawingError

# SVG 1.1, chapters 9 (basic shapes) and 8 (paths).
SHAPES = frozenset({"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"})
GROUPS = frozenset({"svg", "g", "a"})
# What has no outline, and the words for it.
LEFT_OUT = {
    "text": "text (convert it to paths)",
    "image": "pictures (draw a PNG or JPEG by itself)",
    "foreignObject": "foreign objects",
}
# A reference that leads to references may multiply what is drawn; all in all no more than this many elements.
MOST_DRAWN = 200_000
DEEPEST = 200
NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*")


def drawable(root: Element) -> tuple[Element, Counter[str]]:
    """Reduce a tree to what is drawn.

    Parameters
    ----------
    root : Element
        The `svg` element, with local names.

    Returns
    -------
    root : Element
        Made of `svg`, `g`, `style` and shapes alone; `use` is replaced by what it refers to.
    left_out : Counter of str
        What was left out, and how often.

    Raises
    ------
    DrawingError
        If this is no SVG, or references multiply it beyond the limit.
    """
    if root.tag != "svg":
        raise DrawingError(f"the outermost element is <{root.tag[:40]}>, not <svg>; this is no SVG file")
    return _Reducer(root).reduced()


class _Reducer:
    """One file being reduced."""

    def __init__(self, root: Element) -> None:
        self.root = root
        self.by_id: dict[str, Element] = {}
        for element in root.iter():
            name = element.get("id")
            if name:
                self.by_id.setdefault(name, element)
        self.left_out: Counter[str] = Counter()
        self.drawn = 0
        self.used: set[str] = set()

    def reduced(self) -> tuple[Element, Counter[str]]:
        result = Element("svg", self._attributes(self.root))
        # Style sheets may stand anywhere, also within definitions.
        for style in self.root.iter("style"):
            copy = Element("style")
            copy.text = style.text
            result.append(copy)
        for child in self.root:
            self._add(child, result, ())
        symbols = sum(element.get("id") not in self.used for element in self.root.iter("symbol"))
        if symbols:
            self.left_out["symbols that are defined but not used"] += symbols
        fonts = sum(1 for _ in self.root.iter("font"))
        if fonts:
            self.left_out["letters of a font (use a TTF or OTF file)"] += fonts
        return result, self.left_out

    def _attributes(self, element: Element) -> dict[str, str]:
        for clip in ("clip-path", "mask"):
            if element.get(clip, "none") != "none":
                self.left_out["clipping (all of the shape is drawn)"] += 1
        # A damaged name would be no XML when it is written out again.
        return {
            name: value
            for name, value in element.attrib.items()
            if name not in {"href", "clip-path"} and NAME.fullmatch(name)
        }

    def _add(self, element: Element, parent: Element, through: tuple[str, ...]) -> None:
        self.drawn += 1
        if self.drawn > MOST_DRAWN:
            raise DrawingError(
                f"its references make more than {MOST_DRAWN:,} elements of it; such files can grow without end "
                "and are not drawn"
            )
        tag = element.tag
        if tag in SHAPES:
            parent.append(Element(tag, self._attributes(element)))
        elif tag in GROUPS:
            group = Element("svg" if tag == "svg" else "g", self._attributes(element))
            parent.append(group)
            for child in element:
                self._add(child, group, through)
        elif tag == "switch":
            # The first alternative that asks for nothing special; the others are not shown.
            plain = (c for c in element if c.tag != "foreignObject" and not c.get("requiredExtensions"))
            group = Element("g", self._attributes(element))
            parent.append(group)
            for child in list(plain)[:1]:
                self._add(child, group, through)
        elif tag == "use":
            self._use(element, parent, through)
        elif tag in LEFT_OUT:
            self.left_out[LEFT_OUT[tag]] += 1

    def _use(self, element: Element, parent: Element, through: tuple[str, ...]) -> None:
        reference = element.get("href", "")
        name = reference.removeprefix("#")
        target = self.by_id.get(name)
        if not reference.startswith("#") and reference:
            self.left_out["references to other files"] += 1
            return
        if target is None:
            self.left_out["references to nothing"] += 1
            return
        if name in through or len(through) >= DEEPEST:
            self.left_out["references that lead back to themselves"] += 1
            return
        attributes = self._attributes(element)
        x, y = attributes.pop("x", "0"), attributes.pop("y", "0")
        width, height = attributes.pop("width", None), attributes.pop("height", None)
        place = f"{attributes.get('transform', '')} translate({_number(x)}, {_number(y)})"
        group = Element("g", {**attributes, "transform": place.strip()})
        parent.append(group)
        self.used.add(name)
        if target.tag in {"symbol", "svg"}:
            # A symbol is a picture of its own, as large as the reference says (SVG 1.1, section 5.6).
            inner = Element("svg", self._attributes(target))
            for attribute, value in (("width", width), ("height", height)):
                if value is not None:
                    inner.set(attribute, value)
            group.append(inner)
            for child in target:
                self._add(child, inner, (*through, name))
        else:
            self._add(target, group, (*through, name))


def _number(length: str) -> str:
    """Give a length as a transform takes it."""
    return length.strip() or "0"
