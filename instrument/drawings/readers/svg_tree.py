"""Elements of an SVG file: XML parsed within limits, reduced to groups and shapes, every reference put in its place."""

from __future__ import annotations

import re
from collections import Counter
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from instrument.drawings.limits import DrawingError
from instrument.drawings.readers.file_contents import decode

# Drawing programs nest some tens of groups; each level costs a copy of all that is inherited.
DEEPEST_ELEMENT = 200
MOST_ELEMENTS = 200_000
# Entities are used as abbreviations for namespaces, which are short.
ENTITY_LETTERS = 1024
DECLARATION = re.compile(r"^\s*<\?xml[^>]*\?>")


def parse_xml(content: bytes) -> Element:
    """Read XML into a tree of elements without namespaces.

    A prefix that was never declared is harmless; nothing outside the file is ever read.

    Parameters
    ----------
    content : bytes

    Returns
    -------
    xml.etree.ElementTree.Element
        Tags and attributes by their local names.

    Raises
    ------
    DrawingError
        Names the line where the file stops being XML, or says which limit it breaks.

    Examples
    --------
    >>> parse_xml(b'<svg:svg><use x:href="#a"/></svg:svg>')[0].attrib
    {'href': '#a'}
    """
    try:
        return _Parser().parse(content)
    except expat.ExpatError as error:
        if error.code in {
            expat.errors.codes[expat.errors.XML_ERROR_UNKNOWN_ENCODING],
            expat.errors.codes[expat.errors.XML_ERROR_INVALID_TOKEN],
            expat.errors.codes[expat.errors.XML_ERROR_INCORRECT_ENCODING],
        }:
            return _again_as_text(content)
        raise _refusal(error) from None


def _again_as_text(content: bytes) -> Element:
    """Read a file whose declared encoding is wrong or unknown by the encoding that its bytes suggest."""
    try:
        return _Parser().parse(DECLARATION.sub("", decode(content)).encode("utf-8"))
    except expat.ExpatError as error:
        raise _refusal(error) from None


def _refusal(error: expat.ExpatError) -> DrawingError:
    return DrawingError(f"this is not well-formed XML ({expat.ErrorString(error.code)})", line=error.lineno)


class _Parser:
    """One file being read, with what has been counted so far."""

    def __init__(self) -> None:
        self.builder = TreeBuilder()
        self.depth = 0
        self.elements = 0
        # Without a namespace separator expat leaves prefixes alone, declared or not.
        self.expat = expat.ParserCreate()
        # With a foreign DTD that is then not supplied, unknown entities such as &nbsp; are skipped.
        self.expat.UseForeignDTD(True)
        self.expat.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        self.expat.buffer_text = True
        self.expat.StartElementHandler = self._start
        self.expat.EndElementHandler = self._end
        self.expat.CharacterDataHandler = self.builder.data
        self.expat.EntityDeclHandler = self._entity

    def parse(self, content: bytes) -> Element:
        self.expat.Parse(content, True)
        return self.builder.close()

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        self.elements += 1
        if self.depth > DEEPEST_ELEMENT:
            raise DrawingError(
                f"elements are nested more than {DEEPEST_ELEMENT} deep; ungroup the drawing",
                line=self.expat.CurrentLineNumber,
            )
        if self.elements > MOST_ELEMENTS:
            raise DrawingError(f"there are more than {MOST_ELEMENTS:,} elements; simplify the drawing")
        local = {name.rpartition(":")[2]: value for name, value in attributes.items() if name[:5] != "xmlns"}
        self.builder.start(tag.rpartition(":")[2], local)

    def _end(self, tag: str) -> None:
        self.depth -= 1
        self.builder.end(tag.rpartition(":")[2])

    def _entity(
        self,
        name: str,
        is_parameter: bool,
        value: str | None,
        base: str | None,
        system: str | None,
        public: str | None,
        notation: str | None,
    ) -> None:
        del is_parameter, base, system, public, notation
        # An entity outside the file has no value here; it is never fetched and expands to nothing.
        if value is not None and ("&" in value or "%" in value or len(value) > ENTITY_LETTERS):
            raise DrawingError(
                f"entity {name!r} is made of other entities or is longer than {ENTITY_LETTERS:,} letters; such "
                "files can grow without end and are not read",
                line=self.expat.CurrentLineNumber,
            )


# SVG 1.1, chapters 9 (basic shapes) and 8 (paths).
SHAPES = frozenset({"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"})
GROUPS = frozenset({"svg", "g", "a"})
# What has no outline, and the words for it.
LEFT_OUT = {
    "text": "text (convert it to paths)",
    "image": "pictures (draw a PNG or JPEG by itself)",
    "foreignObject": "foreign objects",
}
MOVING = frozenset({"animate", "animateColor", "animateMotion", "animateTransform", "set"})
"""Animation by elements: SVG 1.1, chapter 19."""
KEYFRAMES = re.compile(r"@(-\w+-)?keyframes\b", re.IGNORECASE)
ANIMATION = "animations (the picture at rest is drawn; export numbered frames into a folder, which is a flip-book)"
# A reference that leads to references may multiply what is drawn; all in all no more than this many elements.
MOST_DRAWN = 200_000
DEEPEST_REFERENCE = 200
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
        moving = sum(element.tag in MOVING for element in self.root.iter())
        moving += sum(len(KEYFRAMES.findall(style.text or "")) for style in self.root.iter("style"))
        if moving:
            self.left_out[ANIMATION] += moving
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
        if name in through or len(through) >= DEEPEST_REFERENCE:
            self.left_out["references that lead back to themselves"] += 1
            return
        attributes = self._attributes(element)
        x, y = attributes.pop("x", "0"), attributes.pop("y", "0")
        width, height = attributes.pop("width", None), attributes.pop("height", None)
        transform = f"{attributes.get('transform', '')} translate({_number(x)}, {_number(y)})"
        group = Element("g", {**attributes, "transform": transform.strip()})
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
    """Length as a transform takes it."""
    return length.strip() or "0"
