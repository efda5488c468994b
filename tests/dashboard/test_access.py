"""Passwords, sessions, the slowing down of guesses, and the rule against opening to a network by accident."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import pytest

from daemon.errors import ConfigError
from dashboard.access import Guesses, GuessLimit, Sessions, check_password, hash_password
from dashboard.settings import DashboardSettings, is_loopback, read_password_file

# RFC 7914, section 12: scrypt (P="pleaseletmein", S="SodiumChloride", N=16384, r=8, p=1, dkLen=64).
RFC_7914 = (
    "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
)


def test_the_hash_is_scrypt_as_in_rfc_7914() -> None:
    """The published vector through our stored form (first half of the key: ours has 32 bytes, and PBKDF2's output blocks
    are 32 bytes, so a shorter key is a prefix of a longer one)."""
    text = hash_password("pleaseletmein", salt=b"SodiumChloride")
    assert base64.b64decode(text.split("$")[5]).hex() == RFC_7914[:64]
    assert check_password("pleaseletmein", text)
    whole = base64.b64encode(bytes.fromhex(RFC_7914)).decode()
    assert check_password("pleaseletmein", f"scrypt$16384$8$1${base64.b64encode(b'SodiumChloride').decode()}${whole}")


def test_a_wrong_password_or_a_broken_hash_never_matches() -> None:
    text = hash_password("shavings everywhere")
    assert check_password("shavings everywhere", text)
    assert not check_password("shavings everywherE", text)
    for broken in ("", "scrypt$", "plain", text.replace("scrypt", "md5"), "scrypt$3$8$1$AA==$AA==", "scrypt$16384$8$1$?$?"):
        assert not check_password("shavings everywhere", broken)


def test_the_same_password_hashes_differently_each_time() -> None:
    assert hash_password("shavings everywhere") != hash_password("shavings everywhere")


def test_a_short_password_is_refused() -> None:
    with pytest.raises(ValueError, match="8 characters"):
        hash_password("short")


def test_a_session_opens_ends_and_is_crowded_out() -> None:
    sessions = Sessions(limit=2)
    first = sessions.open(0.0)
    assert sessions.valid(first, 10.0)
    assert not sessions.valid(first, 31 * 86400.0)
    assert not sessions.valid("", 0.0)
    assert not sessions.valid(None, 0.0)
    assert not sessions.valid(first + "x", 0.0)
    second, third = sessions.open(1.0), sessions.open(2.0)
    assert not sessions.valid(first, 3.0), "only two fit"
    sessions.close(second)
    assert not sessions.valid(second, 3.0)
    assert sessions.valid(third, 3.0)


def test_sessions_do_not_keep_the_token_itself() -> None:
    sessions = Sessions()
    token = sessions.open(0.0)
    assert list(sessions._tokens) == [hashlib.sha256(token.encode()).digest()]


def test_guessing_gets_slower_and_a_right_password_forgets_it() -> None:
    limit = GuessLimit()
    waits = []
    now = 0.0
    for _ in range(12):
        limit.wrong(now)
        waits.append(limit.wait_s(now))
        now += limit.wait_s(now)
    assert waits[:2] == [0.0, 0.0], "a slip of the finger costs nothing"
    assert waits[2:8] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0]
    assert waits[8:] == [60.0] * 4, "the owner never waits longer than this"
    limit.right()
    assert limit.wait_s(now) == 0.0


def test_a_strangers_guesses_do_not_lock_the_owner_out() -> None:
    guesses = Guesses(most=2)
    for _ in range(9):
        guesses.of("192.168.1.66").wrong(0.0)
    assert guesses.of("192.168.1.66").wait_s(0.0) > 0
    assert guesses.of("192.168.1.5").wait_s(0.0) == 0
    assert guesses.of("fd00:0:0:1:2::7") is guesses.of("fd00:0:0:1:9::1"), "one network"
    assert guesses.of("192.168.1.66").wait_s(0.0) == 0, "forgotten: only two are remembered"


@pytest.mark.parametrize(
    ("host", "answer"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("192.168.1.7", False),
        ("::", False),
        ("barn.local", False),
    ],
)
def test_which_hosts_are_this_computer_only(host: str, answer: bool) -> None:
    assert is_loopback(host) is answer


def test_a_network_address_needs_a_password() -> None:
    with pytest.raises(ConfigError, match="password_file"):
        DashboardSettings(Path("x.db"), host="0.0.0.0")
    assert DashboardSettings(Path("x.db"), host="0.0.0.0", password_hash="scrypt$...").port == 8765


def test_the_password_file(tmp_path: Path) -> None:
    plain = tmp_path / "password"
    plain.write_text("shavings everywhere\n")
    plain.chmod(0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        read_password_file(plain)
    plain.chmod(0o600)
    assert check_password("shavings everywhere", read_password_file(plain))
    stored = hash_password("another good one")
    hashed = tmp_path / "hash"
    hashed.write_text(stored + "\n")
    hashed.chmod(0o644)
    assert read_password_file(hashed) == stored, "a hash may be read by others"
    hashed.write_text("")
    hashed.chmod(0o600)
    with pytest.raises(ConfigError, match="8 characters"):
        read_password_file(hashed)
    with pytest.raises(ConfigError, match="cannot be read"):
        read_password_file(tmp_path / "none")
