"""The address of a label server: read as a person typed it, refused where the token would not be safe on the way.

It is written in one way, by which what was sent is remembered. Nothing here opens a connection.
"""

from ipaddress import ip_address
from urllib.parse import urlsplit

from annotate.errors import AnnotateError

DEFAULT_PORTS = {"http": 80, "https": 443}


def read_address(text: str, *, plain_http: bool = False) -> str:
    """Return the address of a label server as it is compared and kept: small letters, no default port, no slash at the end.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no address, holds a name and password, or would send the token unencrypted to another computer.
    """
    try:
        parts = urlsplit(text.strip())
        host, port = parts.hostname or "", parts.port
    except ValueError:
        parts, host, port = urlsplit(""), "", None
    if parts.username is not None or parts.password is not None:
        raise AnnotateError(
            "label server: expected an address without a name or password; found one that holds them; give the token by the "
            "environment or the keyring"
        )
    plain = host.isascii() and host.isprintable() and " " not in host
    if parts.scheme not in DEFAULT_PORTS or not host or not plain or parts.query or parts.fragment:
        raise AnnotateError(
            f"label server: expected an address such as https://labels.example.org; found {ascii(text)[:80]}; correct it"
        )
    if parts.scheme == "http" and not plain_http and not _is_loopback(host):
        raise AnnotateError(
            f"label server: expected https, or this computer itself; found http to {host}, which would show the token to "
            "everybody on the way; use https, or add --plain-http in a network you trust"
        )
    shown = f"[{host}]" if ":" in host else host
    at = "" if port in (None, DEFAULT_PORTS[parts.scheme]) else f":{port}"
    return f"{parts.scheme}://{shown}{at}{parts.path.rstrip('/')}"


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
