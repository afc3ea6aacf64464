"""Signs that no reader sees are left out of names and notes; which those are, the Unicode database says."""

from __future__ import annotations

import sys
import unicodedata

from advisor.message.words import plain


def test_every_sign_of_category_c_goes_and_every_other_stays() -> None:
    for sign in map(chr, range(sys.maxunicode + 1)):
        stays = unicodedata.category(sign)[0] != "C" or sign == "\n"
        assert plain(f"a{sign}b") == (f"a{sign}b" if stays else "ab"), hex(ord(sign))


def test_lines_stay_lines_and_ends_are_trimmed() -> None:
    assert plain("  Ember: suits\nwater\u200b first \n") == "Ember: suits\nwater first"
    assert plain(" one\n two ") == "one\n two"
