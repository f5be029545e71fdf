"""Check characters against published examples (all from memory)."""

from __future__ import annotations

import pytest

from reconcile.samples import identity


# ISO/IEC 7064:2003, MOD 97-10: the example '794' takes the check digits 44.
def test_mod_97_10_gives_the_example_of_iso_7064() -> None:
    assert identity.check_digits("794") == "44"
    assert identity.has_valid_check("79444", "mod 97-10")


# Account numbers of ISO 13616, examples of its registry, country code and check digits moved to
# the end as its validation asks: GB82 WEST 1234 5698 7654 32, DE89 3704 0044 0532 0130 00.
@pytest.mark.parametrize("text", ["WEST 1234 5698 7654 32 GB82", "3704 0044 0532 0130 00 DE89"])
def test_mod_97_10_accepts_the_account_numbers_of_iso_13616(text: str) -> None:
    assert identity.has_valid_check(text, "mod 97-10")
    assert not identity.has_valid_check(text.replace("3", "8", 1), "mod 97-10")


# Donation numbers of the blood banks' coding standard use MOD 37-2: G1234 98 654321 takes H.
def test_mod_37_2_gives_the_example_of_the_donation_numbers() -> None:
    assert identity.check_character("G1234 98 654321") == "H"
    assert identity.has_valid_check("G123498654321H")
