"""The record's building stones against the standards that publish them."""

from __future__ import annotations

import base64
import hashlib
import struct

import pytest
import rfc8785

from preflight.record import seal, sshsig
from preflight.record.entry import canonical

# RFC 8032 section 7.1, TEST 1 and TEST 2: secret key, public key, message, signature.
RFC_8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
        "387b2eaeb4302aeeb00d291612bb0c00",
    ),
]


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_rfc_8032_vectors_hold_for_the_ed25519_that_signs_entries(secret, public, message, signature):
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.public_key().public_bytes_raw().hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    sshsig.load_public(bytes.fromhex(public)).verify(bytes.fromhex(signature), bytes.fromhex(message))


def test_rfc_8785_sample_of_sections_3_2_2_to_3_2_4():
    import json

    source = (
        '{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],'
        '"string":"\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/","literals":[null,true,false]}'
    )
    expected = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert rfc8785.dumps(json.loads(source)) == expected.encode()


def test_rfc_8785_sorts_keys_by_utf_16_code_unit():
    # Section 3.2.3's example: CR, "1", U+0080, ö, €, 😀 (D83D DE00), U+FB33.
    keys = ["€", "\r", "\ufb33", "1", "😀", "\u0080", "ö"]
    out = canonical(dict.fromkeys(keys, "x")).decode()
    order = sorted(keys, key=lambda key: out.index(key if key != "\r" else "\\r"))
    assert order == ["\r", "1", "\u0080", "ö", "€", "😀", "\ufb33"]


# RFC 7914 section 12: passphrase, salt, N, r, p, the derived 64 bytes.
RFC_7914 = [
    (
        b"",
        b"",
        16,
        1,
        1,
        "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442"
        "fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906",
    ),
    (
        b"password",
        b"NaCl",
        1024,
        8,
        16,
        "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
        "2eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640",
    ),
    (
        b"pleaseletmein",
        b"SodiumChloride",
        16384,
        8,
        1,
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887",
    ),
]


@pytest.mark.parametrize(("secret", "salt", "n", "r", "p", "derived"), RFC_7914)
def test_rfc_7914_vectors_hold_for_the_scrypt_under_a_seal_code(secret, salt, n, r, p, derived):
    assert hashlib.scrypt(secret, salt=salt, n=n, r=r, p=p, dklen=64).hex() == derived


def test_seal_code_against_another_scrypt_and_crockfords_alphabet():
    """Reference library: cryptography's Scrypt; base32 by hand with Crockford's 32 symbols, 5 bits each."""
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    data, rec = b"any bytes\n", "20270516T060000Z-a1b2c3"
    kdf = Scrypt(salt=rec.encode(), length=10, n=2**16, r=8, p=1)
    bits = "".join(f"{byte:08b}" for byte in kdf.derive(hashlib.sha256(data).digest()))
    # Douglas Crockford, "Base 32": digits and letters without I, L, O, U.
    symbols = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    code = "".join(symbols[int(bits[at : at + 5], 2)] for at in range(0, 80, 5))
    assert seal.seal_code(data, rec).replace("-", "") == code


def test_sshsig_layout():
    """OpenSSH PROTOCOL.sshsig, sections 2 (blob) and 3 (signed data), written out field by field."""

    def string(data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + data

    public, signature, message = b"\x11" * 32, b"\x22" * 64, b"message"
    signed = b"SSHSIG" + string(b"preflight-seal") + string(b"") + string(b"sha512")
    signed += string(hashlib.sha512(message).digest())
    assert sshsig.to_be_signed("preflight-seal", message) == signed

    blob = b"SSHSIG" + struct.pack(">I", 1)
    blob += string(string(b"ssh-ed25519") + string(public))
    blob += string(b"preflight-seal") + string(b"") + string(b"sha512")
    blob += string(string(b"ssh-ed25519") + string(signature))
    armoured = sshsig.armour("preflight-seal", public, signature)
    lines = armoured.decode().splitlines()
    assert lines[0] == "-----BEGIN SSH SIGNATURE-----"
    assert lines[-1] == "-----END SSH SIGNATURE-----"
    assert base64.b64decode("".join(lines[1:-1])) == blob
