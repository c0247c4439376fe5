"""The connection to the hub, with the credentials that the environment names.

EVENBENCH_CA, EVENBENCH_CERTIFICATE, EVENBENCH_KEY and EVENBENCH_TOKEN_FILE are
files; EVENBENCH_TOKEN is a token. Without EVENBENCH_CA the connection is plain,
which a hub offers on its own machine only.
"""

import os
import sys

import grpc


def _file(variable):
    """The content of the file that a variable names; None where it is not set."""
    path = os.environ.get(variable)
    if not path:
        return None
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError as error:
        sys.exit(f"connect: {variable}: {error}")


def channel(hub):
    ca, certificate, key = _file("EVENBENCH_CA"), _file("EVENBENCH_CERTIFICATE"), _file("EVENBENCH_KEY")
    token = os.environ.get("EVENBENCH_TOKEN") or (_file("EVENBENCH_TOKEN_FILE") or b"").decode().strip()
    if not ca:
        if certificate or key or token:
            sys.exit("connect: credentials are set and EVENBENCH_CA is not: without it they might be shown to anybody")
        return grpc.insecure_channel(hub)
    if bool(certificate) != bool(key):
        sys.exit("connect: a certificate needs its key: set EVENBENCH_CERTIFICATE and EVENBENCH_KEY")
    credentials = grpc.ssl_channel_credentials(ca, key, certificate)
    if token:
        credentials = grpc.composite_channel_credentials(credentials, grpc.access_token_call_credentials(token))
    return grpc.secure_channel(hub, credentials)
