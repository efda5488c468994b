"""TLS towards a broker, for the source and the outlet alike."""

from __future__ import annotations

import ssl

from daemon.sources.fields import escaped
from daemon.sources.settings import TlsSettings


def tls_context(tls: TlsSettings) -> ssl.SSLContext:
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
