"""Signatures of a ledger's head: anybody can compute a hash, but only the owner of the key can sign.

Ed25519 (RFC 8032). The private key is a PEM file named by an environment variable; it is never kept. The public key is
in the stand file.
"""

from __future__ import annotations

import base64
import binascii
import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

KEY_VARIABLE: Final = "GLASSWRIGHT_LEDGER_KEY"
PUBLIC_START: Final = bytes.fromhex("302a300506032b6570032100")
"""First bytes of every Ed25519 public key in DER form (RFC 8410, section 10.1); 32 bytes of key follow."""
HOW_TO_MAKE: Final = "`openssl genpkey -algorithm ed25519` makes one"


class SigningError(GlasswrightError):
    """The key cannot be used, or the library for it is missing."""

    exit_code = 2


class Signer:
    """A private key that signs."""

    def __init__(self, file: Path) -> None:
        """Read the key.

        Raises
        ------
        SigningError
            If the file is not an Ed25519 key without a password.
        """
        self._key = _load_private(file)

    def sign(self, data: bytes) -> str:
        """Return the signature in base64."""
        return base64.b64encode(self._key.sign(data)).decode()

    def public_key(self) -> str:
        """Return the public key in the stand file's form."""
        return base64.b64encode(PUBLIC_START + self._key.public_key().public_bytes_raw()).decode()


def find_signer() -> Signer | None:
    """Return the signer if the environment names a key."""
    file = os.environ.get(KEY_VARIABLE)
    return Signer(Path(file)) if file else None


def is_public_key(text: str) -> bool:
    """Return whether a text is an Ed25519 public key: the middle line of what `openssl pkey -pubout` prints."""
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return False
    return data.startswith(PUBLIC_START) and len(data) == len(PUBLIC_START) + 32


def is_signed_by(public_key: str, data: bytes, signature: str) -> bool:
    """Return whether a signature of data was made with a key."""
    _need_library()
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    key = Ed25519PublicKey.from_public_bytes(base64.b64decode(public_key)[len(PUBLIC_START) :])
    try:
        key.verify(base64.b64decode(signature, validate=True), data)
    except (InvalidSignature, ValueError):
        return False
    return True


def _load_private(file: Path) -> Ed25519PrivateKey:
    _need_library()
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(file.read_bytes(), password=None)
    except OSError as error:
        raise SigningError(f"{file}: the key that {KEY_VARIABLE} names cannot be read ({error.strerror})") from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        what = f"the key that {KEY_VARIABLE} names is not a private PEM key without a password ({error})"
        raise SigningError(f"{file}: {what}: {HOW_TO_MAKE}") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise SigningError(f"{file}: the key that {KEY_VARIABLE} names is not an Ed25519 key: {HOW_TO_MAKE}")
    return key


def _need_library() -> None:
    try:
        import cryptography  # noqa: F401
    except ImportError as error:
        what = "to sign a ledger's head or check its signature, the library cryptography is needed"
        raise SigningError(f"{what}: pip install 'glasswright[sign]'") from error
