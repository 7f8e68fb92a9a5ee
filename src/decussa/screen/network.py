"""Where the pages listen: on this machine alone, or, when somebody says so by name, on the lab's network behind TLS."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass
from pathlib import Path

from decussa.compose.preparing import known_operators
from decussa.compose.study_reports import is_study
from decussa.model.errors import MachineError, UsageError

#: The only address unless another is named.
HERE = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """The network the pages are opened to: the name by which windows ask for this machine, and its TLS certificate."""

    name: str
    certificate: Path
    key: Path


def read_network(root: Path, name: str, certificate: Path | None, key: Path | None) -> Network | None:
    """Return the network that is named on the command line, None where none is.

    Raises
    ------
    UsageError
        If something of it is missing or cannot be used, or nobody could enter.
    """
    if not name and certificate is None and key is None:
        return None
    if not name or certificate is None or key is None:
        raise UsageError(
            "the pages cannot be opened to a network so",
            where="--open-to",
            expected="--open-to with --certificate and --key",
            found="not all three",
            do="leave all three away to serve this machine alone",
        )
    _check_certificate(certificate, key)
    _check_people(root)
    return Network(name=name, certificate=certificate, key=key)


def _check_certificate(certificate: Path, key: Path) -> None:
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password=lambda: "")
    except (OSError, ssl.SSLError) as error:
        raise UsageError(
            "the certificate cannot be used",
            where=certificate,
            expected="a certificate and its key without a password, both PEM",
            found=error.strerror or type(error).__name__,
            do="give the files of this machine's certificate",
        ) from error


def _check_people(root: Path) -> None:
    if not is_study(root):
        raise UsageError(
            "only one study at a time can be opened to a network",
            where=root,
            expected="a study folder",
            found="a folder without one of its own",
            do="name the study's folder",
        )
    if not any(person.has_pin for person in known_operators(root)):
        raise UsageError(
            "nobody could enter",
            where=root,
            expected="somebody with a pass phrase",
            found="nobody with one",
            do="serve this machine alone first, and add who works here on the study page",
        )


def address_of(network: Network | None, port: int) -> str:
    """Return the address to listen on.

    Raises
    ------
    MachineError
        If the name is not this machine's, or the port is taken.
    """
    try:
        host = HERE if network is None else socket.gethostbyname(network.name)
        with socket.socket() as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind((host, port))
    except OSError as error:
        raise MachineError(
            "the address cannot be served",
            where=f"{HERE if network is None else network.name}:{port}",
            expected="an address of this machine and a free port",
            found=error.strerror or "an error",
            do="close the other program, or give another --port",
        ) from error
    return host
