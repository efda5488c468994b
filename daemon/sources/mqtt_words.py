"""What went wrong when connecting to a broker, in words that say what to look at."""

from __future__ import annotations

import errno
import ipaddress
import socket
import ssl

from daemon.config.common import TlsTable
from daemon.sources.fields import escaped


def tls_context(tls: TlsTable) -> ssl.SSLContext:
    """The context of a connection as ``tls`` wants it. Files are read each time: what was renewed is taken.

    Raises ValueError, with words for the owner, for a file that cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
    except (OSError, ValueError) as error:
        raise ValueError(f"cannot use ca_file {escaped(str(tls.ca_file), 200)}: {escaped(str(error))}") from error
    if tls.cert_file is not None:
        try:
            context.load_cert_chain(tls.cert_file, tls.key_file, password=_no_password)
        except (OSError, ValueError) as error:
            raise ValueError(f"cannot use cert_file {escaped(tls.cert_file, 200)}: {escaped(str(error))}") from error
    if tls.insecure:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    context.sslsocket_class = _TidySocket
    return context


class _TidySocket(ssl.SSLSocket):
    """Closes itself when the handshake fails, which the client forgets to do."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _no_password() -> str:
    # Without this an encrypted key would make the daemon ask at a terminal that nobody sits at.
    raise ValueError("the key is encrypted; a key without a passphrase is needed")


def connect_words(error: Exception, where: str, tls: bool) -> str:
    """The sentence for an error that came up while connecting to ``where``.

    >>> connect_words(ConnectionRefusedError(111, "Connection refused"), "barn:1883", False)
    'nothing listens at barn:1883'
    """
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate of {where} is refused: {escaped(error.verify_message, 200)}"
    if isinstance(error, ssl.SSLError):
        reason = (error.reason or str(error)).replace("_", " ").lower()
        hint = ": does this port speak TLS?" if "wrong version" in reason else ""
        return f"no TLS connection with {where} ({escaped(reason, 100)}){hint}"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {where}"
    if isinstance(error, socket.gaierror):
        return f"the name in {where} is not known"
    if isinstance(error, TimeoutError):
        return f"{where} does not answer"
    if isinstance(error, ConnectionError):
        hint = " during the TLS greeting: does this port speak TLS?" if tls else ""
        return f"{where} hangs up{hint}"
    if isinstance(error, OSError) and error.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
        return f"there is no way to {where}: is the network up?"
    return f"cannot connect to {where}: {escaped(str(error) or type(error).__name__, 200)}"


def is_loopback(host: str) -> bool:
    """Whether the host is this machine, as far as its name alone tells.

    >>> is_loopback("127.0.0.1"), is_loopback("barn.local")
    (True, False)
    """
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
