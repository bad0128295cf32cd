"""SSHSIG: what OpenSSH signs for a file, and the armour it writes around the signature.

Layout: OpenSSH PROTOCOL.sshsig. Ed25519 and sha512 only. Signing and checking are RFC 8032 over the
to-be-signed blob, so a stock `ssh-keygen -Y verify` accepts a seal and a stock `openssl pkeyutl -verify` an
entry.
"""

from __future__ import annotations

import base64
import binascii
import functools
import hashlib
from typing import TYPE_CHECKING

from preflight.errors import RecordError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

ENTRY = "preflight-entry"
SEAL = "preflight-seal"
DRILL_ENTRY = "preflight-drill-entry"
DRILL_SEAL = "preflight-drill-seal"
NAMESPACES = (ENTRY, SEAL, DRILL_ENTRY, DRILL_SEAL)

KEY_TYPE = b"ssh-ed25519"
KEY_BYTES = 32
MAX_ARMOUR = 4096

_MAGIC = b"SSHSIG"
_HASH = b"sha512"
_BEGIN = b"-----BEGIN SSH SIGNATURE-----\n"
_END = b"-----END SSH SIGNATURE-----\n"
_WRAP = 70  # ssh-keygen's own width; PROTOCOL.sshsig only advises 76


def entry_namespace(drill: bool) -> str:
    """The namespace of an entry's signature."""
    return DRILL_ENTRY if drill else ENTRY


def seal_namespace(drill: bool) -> str:
    """The namespace of a seal."""
    return DRILL_SEAL if drill else SEAL


def string(data: bytes) -> bytes:
    """An SSH string (RFC 4251 section 5): length in four bytes, then the bytes."""
    return len(data).to_bytes(4, "big") + data


def take_string(data: bytes) -> tuple[bytes, bytes]:
    """The first SSH string in `data` and what follows it; ValueError if it is cut short."""
    size = int.from_bytes(data[:4], "big")
    if len(data) < 4 + size:
        raise ValueError("cut short")
    return data[4 : 4 + size], data[4 + size :]


def public_blob(public: bytes) -> bytes:
    """An Ed25519 public key (32 bytes) as SSH writes it."""
    return string(KEY_TYPE) + string(public)


def to_be_signed(namespace: str, message: bytes) -> bytes:
    """The blob that is signed for `message`."""
    return _to_be_signed_prefix(namespace) + string(hashlib.sha512(message).digest())


@functools.cache
def _to_be_signed_prefix(namespace: str) -> bytes:
    return _MAGIC + string(namespace.encode()) + string(b"") + string(_HASH)


def sign(key: Ed25519PrivateKey, namespace: str, message: bytes) -> bytes:
    """The raw Ed25519 signature, 64 bytes, over the to-be-signed blob of `message`."""
    return key.sign(to_be_signed(namespace, message))


@functools.lru_cache(maxsize=256)
def load_public(public: bytes) -> Ed25519PublicKey:
    """A key to check with, from its 32 bytes."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    return Ed25519PublicKey.from_public_bytes(public)


def valid(key: Ed25519PublicKey, namespace: str, message: bytes, signature: bytes) -> bool:
    """Whether `signature` is `key`'s over `message` in `namespace`."""
    from cryptography.exceptions import InvalidSignature

    try:
        key.verify(signature, to_be_signed(namespace, message))
    except InvalidSignature:
        return False
    return True


def armour(namespace: str, public: bytes, signature: bytes) -> bytes:
    """The file that `ssh-keygen -Y sign` would write, byte for byte."""
    blob = (
        _MAGIC
        + (1).to_bytes(4, "big")
        + string(public_blob(public))
        + string(namespace.encode())
        + string(b"")
        + string(_HASH)
        + string(string(KEY_TYPE) + string(signature))
    )
    text = base64.b64encode(blob)
    lines = [text[start : start + _WRAP] for start in range(0, len(text), _WRAP)]
    return _BEGIN + b"\n".join(lines) + b"\n" + _END


def parse_armour(data: bytes, namespace: str) -> tuple[bytes, bytes]:
    """The public key (32 bytes) and raw signature (64 bytes) in an armoured SSHSIG of `namespace`.

    Raises:
        RecordError: if it is anything but what `armour` writes: another key type, hash algorithm,
            namespace or version, a reserved part, other line lengths, or bytes before or after the armour.
    """
    if len(data) > MAX_ARMOUR or not (data.startswith(_BEGIN) and data.endswith(_END)):
        raise RecordError("is not an armoured SSH signature")
    try:
        blob = binascii.a2b_base64(data[len(_BEGIN) : -len(_END)].replace(b"\n", b""), strict_mode=True)
        public, found, signature = _take_apart(blob)
    except ValueError as error:
        raise RecordError(f"is not an SSH signature of an Ed25519 key: {error}") from None
    if found != namespace.encode():
        shown = found.decode("ascii", "backslashreplace")[:60]
        raise RecordError(f"is a signature for {shown}, not for {namespace}")
    if armour(namespace, public, signature) != data:
        raise RecordError("is not spelled as ssh-keygen writes it")
    return public, signature


def _take_apart(blob: bytes) -> tuple[bytes, bytes, bytes]:
    """Public key, namespace and signature in a blob; ValueError says what is not as it must be."""
    if blob[: len(_MAGIC)] != _MAGIC:
        raise ValueError("no SSHSIG preamble")
    if blob[len(_MAGIC) : len(_MAGIC) + 4] != (1).to_bytes(4, "big"):
        raise ValueError("its version is not 1")
    key, rest = take_string(blob[len(_MAGIC) + 4 :])
    namespace, rest = take_string(rest)
    reserved, rest = take_string(rest)
    algorithm, rest = take_string(rest)
    signed, rest = take_string(rest)
    if rest:
        raise ValueError("something follows the signature")
    if reserved:
        raise ValueError("its reserved part is not empty")
    if algorithm != _HASH:
        raise ValueError("its hash algorithm is not sha512")
    public = public_from_blob(key)
    kind, rest = take_string(signed)
    signature, rest = take_string(rest)
    if kind != KEY_TYPE or rest or len(signature) != 64:
        raise ValueError("its signature is not an Ed25519 one")
    return public, namespace, signature


def public_from_blob(blob: bytes) -> bytes:
    """The 32 bytes of the Ed25519 key in an SSH public key blob; ValueError for any other."""
    kind, rest = take_string(blob)
    public, rest = take_string(rest)
    if kind != KEY_TYPE:
        raise ValueError("the key is not of type ssh-ed25519")
    if rest or len(public) != KEY_BYTES:
        raise ValueError("the key is not 32 bytes long")
    return public


def fingerprint(public: bytes) -> str:
    """`SHA256:` and unpadded base64, as `ssh-keygen -l` prints it."""
    digest = hashlib.sha256(public_blob(public)).digest()
    return "SHA256:" + base64.b64encode(digest).rstrip(b"=").decode()
