"""The token that opens a label server: from the environment or the system's keyring, and hidden wherever it might be shown.

It is never an argument of a command, where other users of the computer would see it, and nothing here writes it anywhere. The
logbook does not know it.
"""

import os
import re
from urllib.parse import quote

from annotate.errors import AnnotateError

TOKEN_VARIABLE = "LEAFSHADE_LABEL_SERVER_TOKEN"
KEYRING_SERVICE = "leafshade label server"
LONGEST_TOKEN = 8192
"""Letters; longer than any header that servers accept (common practice, no source)."""

HIDDEN = "[token]"

SIGNED_KEY = re.compile(r"eyJ[\w-]{8,}(?:\.[\w-]+)*")
"""How a signed key begins: base64 of an opened JSON object (RFC 7519, section 3.1). Servers give such keys for a token."""


class Token:
    """A secret that shows itself to nobody who does not ask for it by name."""

    __slots__ = ("_secret",)

    def __init__(self, secret: str) -> None:
        plain = secret.strip()
        if (
            not plain
            or len(plain) > LONGEST_TOKEN
            or not (plain.isascii() and plain.isprintable())
            or " " in plain
        ):
            raise AnnotateError(
                f"token of the label server: expected one line of plain letters and digits; found {_describe(plain)}; "
                f"copy it from the server's page again into {TOKEN_VARIABLE}"
            )
        self._secret = plain

    def reveal(self) -> str:
        """Return the secret itself, for the one header it belongs into."""
        return self._secret

    def hide_in(self, text: str) -> str:
        """Return a text with the secret, plain or as in an address, and any key that was given for it put out of sight."""
        for form in (self._secret, quote(self._secret, safe="")):
            text = text.replace(form, HIDDEN)
        return SIGNED_KEY.sub(HIDDEN, text)

    def __repr__(self) -> str:
        return "Token(hidden)"

    __str__ = __repr__

    def __reduce__(self) -> str:
        raise TypeError("a token is not written anywhere")


def find_token(address: str) -> Token:
    """Return the token for a label server: from the environment, else from the system's keyring where there is one.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none.
    """
    secret = os.environ.get(TOKEN_VARIABLE) or _ask_keyring(address)
    if not secret:
        raise AnnotateError(
            f"label server: expected its token in the environment variable {TOKEN_VARIABLE}, or in the system's keyring under "
            f"'{KEYRING_SERVICE}' and {address}; found neither; copy it from your account on the server"
        )
    return Token(secret)


def _ask_keyring(address: str) -> str:
    """Return what the system's keyring keeps for an address, empty where there is no keyring or nothing in it."""
    try:
        import keyring
        from keyring.errors import KeyringError
    except ImportError:
        return ""
    try:
        return keyring.get_password(KEYRING_SERVICE, address) or ""
    except KeyringError:
        return ""


def _describe(plain: str) -> str:
    if not plain:
        return "nothing"
    return f"{len(plain)} letters" if len(plain) > LONGEST_TOKEN else "other characters in it"
