"""XML is read leniently where it costs nothing and strictly where it could cost everything."""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from instrument.drawings.readers.text_files import decode
from instrument.drawings.refusal import DrawingError

# Drawing programs nest some tens of groups; each level costs a copy of all that is inherited.
DEEPEST = 200
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
        if self.depth > DEEPEST:
            raise DrawingError(
                f"elements are nested more than {DEEPEST} deep; ungroup the drawing",
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
