"""Passwords, sessions and the slowing down of guesses.

The password is stored as scrypt (RFC 7914) with a random salt. A session is a random token that lives in memory: a
restart logs everybody out, and nothing on disk can be stolen to log in.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field

_N, _R, _P = 2**14, 8, 1
"""scrypt cost: 16 MiB and some 50 ms on a desktop, a few hundred on a small board (RFC 7914 section 2 names r=8, p=1)."""
_MAX_MEMORY = 64 * 1024 * 1024
SESSION_S = 30 * 86400.0
"""How long a session lasts."""


def hash_password(password: str, salt: bytes | None = None) -> str:
    """``password`` as the text that goes into the configuration: ``scrypt$N$r$p$salt$key``.

    Raises ValueError for a password shorter than eight characters.
    """
    if len(password) < 8:
        raise ValueError("the password is shorter than 8 characters")
    salt = secrets.token_bytes(16) if salt is None else salt
    key = hashlib.scrypt(password.encode(), salt=salt, n=_N, r=_R, p=_P, maxmem=_MAX_MEMORY, dklen=32)
    return f"scrypt${_N}${_R}${_P}${_b64(salt)}${_b64(key)}"


def check_password(password: str, stored: str) -> bool:
    """Whether ``password`` is the one behind ``stored``. Text that is not such a hash never matches."""
    try:
        name, n, r, p, salt, key = stored.split("$")
        if name != "scrypt":
            return False
        wanted = base64.b64decode(key, validate=True)
        found = hashlib.scrypt(
            password.encode(),
            salt=base64.b64decode(salt, validate=True),
            n=int(n),
            r=int(r),
            p=int(p),
            maxmem=_MAX_MEMORY,
            dklen=len(wanted),
        )
    except ValueError:
        return False
    return hmac.compare_digest(found, wanted)


def _b64(data: bytes) -> str:
    return base64.b64encode(data).decode()


@dataclass
class Sessions:
    """Who is logged in. At most ``limit`` at a time; the oldest goes first. Times are monotonic seconds."""

    limit: int = 32
    _tokens: OrderedDict[bytes, float] = field(default_factory=OrderedDict)

    def open(self, now: float) -> str:
        """A new session's token."""
        token = secrets.token_urlsafe(32)
        self._tokens[_digest(token)] = now + SESSION_S
        while len(self._tokens) > self.limit:
            self._tokens.popitem(last=False)
        return token

    def valid(self, token: str | None, now: float) -> bool:
        """Whether ``token`` names a session that has not ended."""
        if not token:
            return False
        ends = self._tokens.get(_digest(token))
        return ends is not None and now < ends

    def close(self, token: str | None) -> None:
        """End the session of ``token``, if there is one."""
        if token:
            self._tokens.pop(_digest(token), None)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


@dataclass
class GuessLimit:
    """Slows down one guesser: after ``free`` wrong passwords each further one doubles the wait, up to ``longest_s``."""

    free: int = 3
    first_s: float = 1.0
    longest_s: float = 60.0
    _wrong: int = 0
    _until: float = 0.0

    def wait_s(self, now: float) -> float:
        """Seconds until the next try is looked at; 0 when it may come now."""
        return max(0.0, self._until - now)

    def wrong(self, now: float) -> None:
        """Count a wrong password."""
        self._wrong += 1
        if self._wrong >= self.free:
            self._until = now + min(self.longest_s, self.first_s * 2.0 ** (self._wrong - self.free))

    def right(self) -> None:
        """Forget the wrong ones."""
        self._wrong = 0
        self._until = 0.0


@dataclass
class OneTimeCode:
    """A short code that lets one device in, once: shown in the terminal, typed on the phone. Times are monotonic seconds.

    It ends when it was used, after ``lasts_s``, or after ``tries`` wrong ones from anybody: eight letters of 31 leave a guesser
    five chances in some 850,000,000,000.
    """

    began: float
    lasts_s: float = 15 * 60.0
    tries: int = 5
    text: str = field(default_factory=lambda: "".join(secrets.choice("23456789abcdefghjkmnpqrstuvwxyz") for _ in range(8)))

    @property
    def shown(self) -> str:
        """The code in two groups, without letters that look alike."""
        return f"{self.text[:4]} {self.text[4:]}"

    def over(self, now: float) -> bool:
        """Whether it opens nothing any more."""
        return self.tries <= 0 or now >= self.began + self.lasts_s

    def opens(self, given: str, now: float) -> bool:
        """Whether ``given`` is the code, which is used up by that; a wrong one costs a try."""
        if self.over(now):
            return False
        right = hmac.compare_digest(re.sub(r"[\s-]", "", given).lower().encode(), self.text.encode())
        self.tries = 0 if right else self.tries - 1
        return right


def network_of(address: str) -> str:
    """The network that an address stands for: of IPv6, the /64 that one household has; else the address itself.

    >>> network_of("192.0.2.7"), network_of("2001:db8:1:2:3:4:5:6")
    ('192.0.2.7', '2001:db8:1:2')
    """
    return ":".join(address.split(":")[:4]) if address.count(":") > 1 else address


@dataclass
class Guesses:
    """One :class:`GuessLimit` for each address, so that a stranger's guesses do not lock the owner out.

    At most ``most`` addresses are remembered; the one that was quiet longest is forgotten first. What a stranger gains
    by many addresses is bounded by the cost of scrypt, which is reckoned for one guess at a time.
    """

    most: int = 256
    _limits: OrderedDict[str, GuessLimit] = field(default_factory=OrderedDict)

    def of(self, address: str) -> GuessLimit:
        """The limit of an address; IPv6 addresses of one network (/64) count as one."""
        key = network_of(address)
        limit = self._limits.pop(key, None) or GuessLimit()
        self._limits[key] = limit
        while len(self._limits) > self.most:
            self._limits.popitem(last=False)
        return limit
