"""Text from outside made safe to show: on a terminal, and in the cells of a spreadsheet.

A boat's name, a note or a file's name may come from anybody. On a terminal an escape sequence in it would move the
cursor, colour lines or retitle the window, and a mark of writing direction would show letters in another order than
they stand. In a spreadsheet a text that begins like a formula is run as one.
"""

from __future__ import annotations

import re
import unicodedata

_ODD = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_JOINERS = "\u200c\u200d"
"""Marks between letters of Persian and Indic scripts; they order nothing and move nothing."""
_ODD_LETTERS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]"
)
_PLAIN = re.compile(r"[ -~]*")
_FORMULA = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
"""How a formula begins (OWASP, "CSV Injection"), in full-width signs too, behind apostrophes that we put there."""


def clean_text(text: str) -> str:
    r"""Return text as it may stand on one line of a terminal.

    Control characters, line ends, marks of writing direction and halves of characters are spelled out, as in ``\x1b``,
    so that a reader sees what is there; spaces of every width become plain ones.

    Args:
        text: Any text.
    """
    if _PLAIN.fullmatch(text):
        return text
    return "".join(_shown(c) for c in text)


def clean_page(text: str) -> str:
    """Return text as it may stand in a page: line ends and spaces of every width stay, all else as `clean_text`."""
    return _ODD_LETTERS.sub(lambda found: _shown(found[0]), text)


def clean_lines(text: str) -> str:
    """Return `clean_text` of each line of a text whose line ends are ours."""
    return "\n".join(clean_text(line) for line in text.split("\n"))


def _shown(letter: str) -> str:
    kind = unicodedata.category(letter)
    if kind == "Zs":
        return " "
    if kind not in _ODD or letter in _JOINERS:
        return letter
    code = ord(letter)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def spreadsheet_text(text: str) -> str:
    """Return text as it may stand in a cell: an apostrophe before what a spreadsheet would take for a formula.

    Args:
        text: Any text; numbers are no texts and are written as they are.
    """
    return f"'{text}" if _FORMULA.match(text) else text


def from_spreadsheet(text: str) -> str:
    """Return the text that `spreadsheet_text` was given."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
