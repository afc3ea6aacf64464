"""Signs that a name or note may not hold; what each is, the Unicode database says (UAX 9 for direction)."""

from __future__ import annotations

import sys
import unicodedata

from advisor.store.toml_faults import has_control

TURNS = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})
MARKS = "\u200e\u200f"


def test_controls_line_separators_and_turning_signs_are_refused_and_no_others() -> None:
    for sign in map(chr, range(sys.maxunicode + 1)):
        refused = unicodedata.category(sign) in {"Cc", "Cs", "Zl", "Zp"}
        refused |= unicodedata.bidirectional(sign) in TURNS or sign in MARKS
        assert has_control(f"a{sign}b") is refused, hex(ord(sign))
    assert not has_control("")
