"""Asking a served page over HTTP, as all tests do it: with patience where the machine is busy, and without reading certificates.

Pages are served without encryption on this machine; reading the certificates of the web took longer than the page itself.
"""

import ssl
from functools import partial

import httpx

PATIENCE_S = 60.0

_SETTINGS = {"timeout": PATIENCE_S, "verify": ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), "trust_env": False}

get = partial(httpx.get, **_SETTINGS)
post = partial(httpx.post, **_SETTINGS)
open_client = partial(httpx.Client, **_SETTINGS)
