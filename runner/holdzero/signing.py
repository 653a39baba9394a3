"""Ed25519 keys and signatures over records and reviews. The only place that knows how to sign; it knows no book.

Source: RFC 8032 (Ed25519); RFC 8785 (canonical form of what a review says).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdzero.errors import HoldzeroError
from holdzero.whole_file import UnconfirmedError, write_new

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

__all__ = [
    "PASSPHRASE",
    "Key",
    "SigningError",
    "fingerprint_of",
    "is_signed_by",
    "make_key",
    "read_key",
    "record_message",
    "review_message",
]

PASSPHRASE = "HOLDZERO_PASSPHRASE"  # noqa: S105  the name of an environment variable
_LARGEST = 100_000  # bytes of a key file


class SigningError(HoldzeroError):
    """A key can't be made, read or used; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Key:
    """A private key that was read, and what may be known of it."""

    _private: Ed25519PrivateKey

    @property
    def public(self) -> str:
        """Its public half as PEM, which other tools read too."""
        return _pem_of(self._private.public_key())

    @property
    def fingerprint(self) -> str:
        """What it goes by."""
        return fingerprint_of(self.public)

    def sign(self, message: bytes) -> str:
        """The signature over a message, in base64."""
        return base64.b64encode(self._private.sign(message)).decode("ascii")


def record_message(digest: str) -> bytes:
    r"""What is signed of a record: its digest, which stands for all of it.

    >>> record_message("sha256:00")
    b'holdzero record 1\nsha256:00'
    """
    return f"holdzero record 1\n{digest}".encode()


_OF_REVIEW = ("digest", "name", "meaning", "note", "at_ms", "zone")


def review_message(review: Mapping[str, Any]) -> bytes:
    """What is signed of a review: which record, who, when and what it means."""
    import rfc8785

    return b"holdzero review 1\n" + rfc8785.dumps({name: review[name] for name in _OF_REVIEW})


def make_key(path: Path, passphrase: str = "") -> Key:
    """Make a key and write its private half, readable by its owner alone.

    Args:
        path: of a file that does not exist yet: a key that was lost can't be made again.
        passphrase: that the file is locked with; empty for none.

    Raises:
        SigningError: the file is there already, or can't be written.
    """
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    lock = form.BestAvailableEncryption(passphrase.encode()) if passphrase else form.NoEncryption()
    private = Ed25519PrivateKey.generate()
    content = private.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, lock)
    try:
        write_new(path, content)
    except FileExistsError:
        raise SigningError(f"{path}: it is there already, and a key is never written over; name another") from None
    except UnconfirmedError as error:
        reason = f"the key is made, and could not be confirmed to be on disk: {error.strerror}"
        raise SigningError(f"{path}: {reason}\n    see to the disk before you rely on the key; it is there") from None
    except OSError as error:
        mend = "no key was made: see to the folder and the disk, then make one"
        raise SigningError(f"{path}: the key can't be written: {error.strerror}\n    {mend}") from None
    return Key(private)


def read_key(path: Path, passphrase: str = "") -> Key:
    """Read a private key.

    Args:
        path: of its file.
        passphrase: that it is locked with; empty for none.

    Raises:
        SigningError: it can't be read, is locked otherwise, or is no Ed25519 key.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    content = _content(path)
    if b"ENCRYPTED" in content and not passphrase:
        raise SigningError(f"{path}: the key is locked; put its passphrase into the environment variable {PASSPHRASE}")
    try:
        private = load_pem_private_key(content, passphrase.encode() if b"ENCRYPTED" in content else None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        reason = "the passphrase does not fit" if b"ENCRYPTED" in content else "it is no private key in PEM form"
        raise SigningError(f"{path}: {reason}") from None
    if not isinstance(private, Ed25519PrivateKey):
        raise SigningError(f"{path}: it is no Ed25519 key; make one: holdzero book key --name NAME --file FILE")
    return Key(private)


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_LARGEST)
    except OSError as error:
        mend = "make one: holdzero book key --name NAME --file FILE"
        raise SigningError(f"{path}: the key can't be read: {error.strerror}\n    {mend}") from None


def fingerprint_of(public: str) -> str:
    """What a public key goes by: SHA-256 of its 32 bytes, in hexadecimal.

    Args:
        public: as PEM.

    Raises:
        SigningError: it is no Ed25519 key.
    """
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    raw = _public(public).public_bytes(Encoding.Raw, PublicFormat.Raw)
    return hashlib.sha256(raw).hexdigest()


def is_signed_by(public: str, message: bytes, signature: str) -> bool:
    """Whether a signature over a message was made with the private half of a key.

    Args:
        public: as PEM.
        message: what was signed.
        signature: in base64.

    Raises:
        SigningError: `public` is no Ed25519 key.
    """
    from cryptography.exceptions import InvalidSignature

    key = _public(public)
    try:
        key.verify(base64.b64decode(signature, validate=True), message)
    except (InvalidSignature, binascii.Error, ValueError):
        return False
    return True


def _public(public: str) -> Ed25519PublicKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(public.encode())
    except (ValueError, UnsupportedAlgorithm):
        raise SigningError("it is no public key in PEM form") from None
    if not isinstance(key, Ed25519PublicKey):
        raise SigningError("it is no Ed25519 key")
    return key


def _pem_of(key: Ed25519PublicKey) -> str:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")
