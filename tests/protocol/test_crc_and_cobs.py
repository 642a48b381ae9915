"""The borrowed parts, against what was published about them."""

from __future__ import annotations

import zlib

import pytest
from cobs import cobs
from evenstroke_protocol.crc import RESIDUE16, RESIDUE32, crc16, crc32
from hypothesis import given
from hypothesis import strategies as st

# Check values and residues: Greg Cook, "Catalogue of parametrised CRC algorithms" (CRC RevEng), the entries
# named below; from memory, not looked up.
CHECK = b"123456789"


def test_crc32_is_iso_hdlc() -> None:
    # CRC-32/ISO-HDLC: check=0xcbf43926.
    assert crc32(CHECK) == 0xCBF43926 == zlib.crc32(CHECK)


def test_crc16_is_mcrf4xx() -> None:
    # CRC-16/MCRF4XX: check=0x6f91.
    assert crc16(CHECK) == 0x6F91


@given(st.binary(max_size=260))
def test_crc16_is_what_avr_libc_computes(data: bytes) -> None:
    # avr-libc manual, <util/crc16.h>, _crc_ccitt_update, started from 0xFFFF: the C code printed there
    # as the equivalent of the assembler, from memory.
    crc = 0xFFFF
    for byte in data:
        byte ^= crc & 0xFF
        byte = (byte ^ (byte << 4)) & 0xFF
        crc = ((byte << 8) | (crc >> 8)) ^ (byte >> 4) ^ (byte << 3)
    assert crc16(data) == crc


@given(st.binary(max_size=260))
def test_a_body_that_ends_in_its_crc_leaves_the_residue(data: bytes) -> None:
    assert crc32(data + crc32(data).to_bytes(4, "little")) == RESIDUE32
    assert crc16(data + crc16(data).to_bytes(2, "little")) == RESIDUE16


def test_crc32_residue_is_the_catalogue_s() -> None:
    # The catalogue's residue for CRC-32/ISO-HDLC, 0xdebb20e3, is the register before the final inversion,
    # which zlib applies.
    assert RESIDUE32 ^ 0xFFFFFFFF == 0xDEBB20E3


RUN_OF = bytes(range(1, 256))  # 01 02 ... FF

COBS_EXAMPLES = [
    # S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
    # 1999: the worked example of an IP header's beginning; from memory, not looked up.
    ("4500002C4C79000040064F37", "0245 01 042C4C79 01 0540064F37"),
    # Examples as commonly tabulated for the same code, from memory; they follow from the paper's Table I
    # (a code n below FF: n - 1 bytes and a zero; FF: 254 bytes and no zero).
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "031122 0233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    (RUN_OF[:254].hex(), "FF" + RUN_OF[:254].hex()),
    ("00" + RUN_OF[:254].hex(), "01FF" + RUN_OF[:254].hex()),
    (RUN_OF.hex(), "FF" + RUN_OF[:254].hex() + "02FF"),
]


@pytest.mark.parametrize(("plain", "coded"), COBS_EXAMPLES)
def test_cobs_examples(plain: str, coded: str) -> None:
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(coded)
    assert cobs.decode(bytes.fromhex(coded)) == bytes.fromhex(plain)


def test_the_c_extension_of_cobs_is_what_was_imported() -> None:
    # Without it decoding is some fifty times slower, and says nothing.
    assert cobs._using_extension


@given(st.binary(min_size=1, max_size=254))
def test_up_to_254_bytes_cobs_adds_exactly_one(body: bytes) -> None:
    coded = cobs.encode(body)
    assert len(coded) == len(body) + 1
    assert 0 not in coded
