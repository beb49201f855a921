"""What the page itself must remember: the logins, sessions, the sitter's links, and who did what.

One small file beside the database, readable by the daemon's user alone, replaced whole at every change. Passwords are
kept as scrypt hashes and tokens as SHA-256 hashes: the file opens nothing.
"""

from __future__ import annotations

import hashlib
import json
import logging
import secrets
import threading
from dataclasses import asdict, dataclass, field
from pathlib import Path

from dewkeeper_config.whole import write_whole

log = logging.getLogger(__name__)

FILE = "page.json"
SESSION_SECONDS = 30 * 86400
MOST_SESSIONS = 50
MOST_AUDITED = 300
_HASHING = threading.Lock()


@dataclass(slots=True)
class Session:
    """A logged-in browser. csrf: what its forms must carry."""

    who: str
    csrf: str
    expires: int


@dataclass(slots=True)
class SitterLink:
    """A link to the plain sheet, until `expires`."""

    name: str
    expires: int


@dataclass(slots=True)
class Audited:
    """One line of the log of who did what through the page."""

    at: int
    who: str
    what: str
    address: str


@dataclass(slots=True)
class Login:
    """How a keeper's password is kept."""

    salt: str
    password: str


@dataclass(slots=True)
class _Contents:
    people: dict[str, Login] = field(default_factory=dict)
    sessions: dict[str, Session] = field(default_factory=dict)
    sitters: dict[str, SitterLink] = field(default_factory=dict)
    audit: list[Audited] = field(default_factory=list)


class AuthStore:
    """The file and its contents; safe to use from several threads. `first_run_code` is None once a login is set."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._lock = threading.Lock()
        self._contents = self._load()
        self.first_run_code: str | None = None if self._contents.people else _new_code()

    @property
    def logins(self) -> list[str]:
        """The names of those who may log in; nobody before the first run is done."""
        return list(self._contents.people)

    def reset_code(self) -> str:
        """Return a new code that sets one password, good once: for who can reach the machine but forgot it."""
        with self._lock:
            self.first_run_code = self.first_run_code or _new_code()
            return self.first_run_code

    def set_login(self, code: str, name: str, password: str) -> bool:
        """Set a login if `code` is the first-run code, which is then used up; return whether it was."""
        hashed = self._hashed(password)
        with self._lock:
            expected = self.first_run_code
            if expected is None or not secrets.compare_digest(_plain(code), _plain(expected)):
                return False
            self._contents.people[name] = hashed
            self._forget_sessions(name)
            self.first_run_code = None
            self._save()
            return True

    def set_password(self, name: str, password: str, keep: str = "") -> None:
        """Set the password of a login, new or known; every other browser of theirs is logged out. keep: token of one that stays."""
        hashed = self._hashed(password)
        with self._lock:
            self._contents.people[name] = hashed
            self._forget_sessions(name, _digest(keep))
            self._save()

    def remove_login(self, name: str) -> bool:
        """Take a login away, with its browsers; return False for the last one, which stays."""
        with self._lock:
            if len(self._contents.people) < 2 or name not in self._contents.people:
                return False
            del self._contents.people[name]
            self._forget_sessions(name)
            self._save()
            return True

    def password_fits(self, name: str, password: str) -> bool:
        """Whether this is a keeper. Takes the same time for a wrong name."""
        known = self._contents.people.get(name, Login("00", ""))
        given = _hash(password, bytes.fromhex(known.salt))
        return secrets.compare_digest(given, known.password) and name in self._contents.people

    @staticmethod
    def _hashed(password: str) -> Login:
        # Never called under the lock, which every new session waits for: hashing takes tenths of a second.
        salt = secrets.token_bytes(16)
        return Login(salt.hex(), _hash(password, salt))

    def _forget_sessions(self, name: str, keep: str = "") -> None:
        sessions = self._contents.sessions
        for key in [key for key, session in sessions.items() if session.who == name and key != keep]:
            del sessions[key]

    def open_session(self, who: str, now: int) -> str:
        """Return the token of a new session; no token a browser brought along ever becomes one."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            sessions = self._contents.sessions
            for key in [k for k, s in sessions.items() if s.expires <= now]:
                del sessions[key]
            while len(sessions) >= MOST_SESSIONS:
                del sessions[min(sessions, key=lambda k: sessions[k].expires)]
            sessions[_digest(token)] = Session(who, secrets.token_urlsafe(24), now + SESSION_SECONDS)
            self._save()
        return token

    def session(self, token: str, now: int) -> Session | None:
        """Return the live session of a token."""
        found = self._contents.sessions.get(_digest(token))
        return found if found is not None and found.expires > now else None

    def close_session(self, token: str) -> None:
        """Forget a session."""
        with self._lock:
            if self._contents.sessions.pop(_digest(token), None) is not None:
                self._save()

    def new_sitter(self, name: str, expires: int, now: int) -> str:
        """Return the token of a new link for the sitter; expired ones are forgotten."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            sitters = self._contents.sitters
            for key in [k for k, s in sitters.items() if s.expires <= now]:
                del sitters[key]
            sitters[_digest(token)] = SitterLink(name, expires)
            self._save()
        return token

    def sitter(self, token: str, now: int) -> SitterLink | None:
        """Return the sitter's link of a token, None when it is unknown or over."""
        found = self._contents.sitters.get(_digest(token))
        return found if found is not None and found.expires > now else None

    def sitters(self, now: int) -> list[SitterLink]:
        """Return the links that still open."""
        # A copy: another worker may make a link meanwhile.
        return [s for s in list(self._contents.sitters.values()) if s.expires > now]

    def end_sitters(self) -> None:
        """Close every sitter's link now."""
        with self._lock:
            self._contents.sitters.clear()
            self._save()

    def audit(self, at: int, who: str, what: str, address: str) -> None:
        """Note who did what; the newest few hundred are kept."""
        with self._lock:
            self._contents.audit.append(Audited(at, who, what, address))
            del self._contents.audit[:-MOST_AUDITED]
            self._save()

    def audited(self) -> list[Audited]:
        """Return the log, newest first."""
        return self._contents.audit[::-1]

    def _load(self) -> _Contents:
        try:
            raw = json.loads(self._path.read_text(encoding="utf-8"))
            if "people" not in raw:  # an older version knew one login
                raw["people"] = (
                    {raw["login"]: {"salt": raw["salt"], "password": raw["password"]}} if raw["login"] else {}
                )
            return _Contents(
                people={str(name): Login(str(v["salt"]), str(v["password"])) for name, v in raw["people"].items()},
                sessions={k: Session(**v) for k, v in raw["sessions"].items()},
                sitters={k: SitterLink(**v) for k, v in raw["sitters"].items()},
                audit=[Audited(**v) for v in raw["audit"]],
            )
        except FileNotFoundError:
            return _Contents()
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            # A damaged file must not keep the keeper out for ever: a new first-run code is printed.
            log.warning("the page's file %s cannot be read; the login must be set again", self._path)
            return _Contents()

    def _save(self) -> None:
        try:
            write_whole(self._path, json.dumps(asdict(self._contents)).encode())
        except OSError as error:
            log.warning("the page cannot keep its login and sessions: %s", error)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def _hash(password: str, salt: bytes) -> str:
    # n=2^13, r=8, p=10: as slow to guess as the usual 2^17 with p=1, in 8 MB instead of 128 (OWASP's table of equals,
    # from memory); some tenths of a second on a Pi. One at a time, or three workers take three times the memory.
    with _HASHING:
        return hashlib.scrypt(password.encode("utf-8", "surrogateescape"), salt=salt, n=1 << 13, r=8, p=10).hex()


def _new_code() -> str:
    # Letters and digits that cannot be mistaken for one another; 12 of 31 are 59 bits.
    code = "".join(secrets.choice("23456789ABCDEFGHJKMNPQRSTUVWXYZ") for _ in range(12))
    return "-".join((code[:4], code[4:8], code[8:]))


def _plain(code: str) -> bytes:
    return "".join(c for c in code.upper() if c.isalnum()).encode()
