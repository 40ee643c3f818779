"""Web access: the one-time pairing code, and the sessions of the browsers that gave it.

Everything is in memory: when the server ends, every browser is strange to it again.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

ALPHABET = "ACDEFGHJKMNPQRTUVWXY3479"
"""Letters that nobody mistakes for one another: none of 0 O, 1 I L, 2 Z, 5 S, 6, 8 B."""
CODE_LETTERS = 8
"""24^8 codes, 37 bits; ASVS 5.0.0, 6.5.4 asks for 20."""
CODE_LIFE_S = 600.0
"""ASVS 5.0.0, 6.5.5: at most 10 minutes."""
MOST_WRONG = 5
"""Wrong codes, from all addresses together, that a code outlives no further."""
IDLE_S = 2 * 3600.0
"""A browser that asked for nothing for so long must pair again (common practice, no source)."""
LONGEST_S = 12 * 3600.0
"""A day at the track; NIST SP 800-63B-4 asks for at most 24 h at its middle level (value from
memory)."""
MOST_SESSIONS = 32
"""When one more browser pairs, the one that was idle longest is signed off."""
TOKEN_BYTES = 32

Outcome = Literal["paired", "wrong", "expired"]


@dataclass(frozen=True)
class Session:
    """A paired browser, as its owner may see it: nothing in it opens anything.

    Attributes
    ----------
    id : str
        Names the session in the list; it is no secret, and no token.
    begun_s, seen_s : float
        Moments on the clock of `Pairing`.
    address : str
        Where it paired from.
    browser : str
        What it calls itself, in few words.
    """

    id: str
    begun_s: float
    seen_s: float
    address: str
    browser: str


def clock_s() -> float:
    """Return seconds on a clock that nobody sets, and that runs on while the machine sleeps."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boottime is None else time.clock_gettime(boottime)


def new_token() -> str:
    """Return 256 random bits for a cookie."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def tidy_code(text: str) -> str:
    """Return a code as typed by a person: capitals, without spaces and hyphens."""
    return "".join(text.upper().split()).replace("-", "")


class Pairing:
    """The pairing code of the moment, and the sessions.

    Parameters
    ----------
    show_code : callable, optional
        Called with each new code and a sentence that says why there is one; shows both at the
        terminal, and nowhere else.
    clock : callable, optional
        Seconds that never run backwards.
    choose : callable, optional
        One random letter of a string.
    token : callable, optional
        A random token of at least 128 bits.
    """

    def __init__(
        self,
        show_code: Callable[[str, str], None] = lambda _code, _why: None,
        *,
        clock: Callable[[], float] = clock_s,
        choose: Callable[[str], str] = secrets.choice,
        token: Callable[[], str] = new_token,
    ) -> None:
        self._show = show_code
        self._clock = clock
        self._choose = choose
        self._token = token
        self._lock = threading.Lock()
        self._sessions: dict[bytes, Session] = {}
        self._code = ""
        self._dies_s = float("-inf")
        self._wrong = 0

    def now_s(self) -> float:
        """Return the moment on this pairing's clock."""
        return self._clock()

    def offer(self) -> None:
        """See to it that there is a living code: make and show one where there is none."""
        with self._lock:
            code = self._renew() if self._is_dead() else None
        self._tell(code, "")

    def pair(self, typed: str, *, address: str, browser: str) -> tuple[Outcome, str]:
        """Try a code.

        Parameters
        ----------
        typed : str
        address, browser : str
            Kept with the session, for its owner to see.

        Returns
        -------
        outcome : {"paired", "wrong", "expired"}
        token : str
            The secret for the browser's cookie; empty unless paired. It is kept only as a hash.
        """
        given = tidy_code(typed).encode("utf-8", "replace")
        token = ""
        with self._lock:
            right = hmac.compare_digest(given, self._code.encode())
            code: str | None = None
            why = ""
            outcome: Outcome
            if self._is_dead():
                why = "The code before had expired." if self._code else ""
                outcome, code = "expired", self._renew()
            elif right:
                outcome, code = "paired", self._renew()
                token, why = self._begin(address, browser), f"Paired: {browser}, at {address}."
            else:
                outcome = "wrong"
                self._wrong += 1
                if self._wrong >= MOST_WRONG:
                    code = self._renew()
                    why = (
                        f"{MOST_WRONG} wrong codes were tried, the last one from {address}. "
                        "If that was not you, somebody else is on this network."
                    )
        self._tell(code, why)
        return outcome, token

    def session_of(self, token: str) -> Session | None:
        """Return the session of a cookie's token, and note that it was seen; None if strange."""
        key = _key(token)
        with self._lock:
            self._sweep()
            session = self._sessions.get(key)
            if session is None:
                return None
            session = replace(session, seen_s=self._clock())
            self._sessions[key] = session
            return session

    def sessions(self) -> tuple[Session, ...]:
        """Return the living sessions, the one seen last first."""
        with self._lock:
            self._sweep()
            return tuple(sorted(self._sessions.values(), key=lambda one: -one.seen_s))

    def end(self, session_id: str) -> bool:
        """End a session by its id; whether there was one."""
        with self._lock:
            for key, session in self._sessions.items():
                if session.id == session_id:
                    del self._sessions[key]
                    return True
            return False

    def _is_dead(self) -> bool:
        return not self._code or self._clock() >= self._dies_s

    def _renew(self) -> str:
        self._code = "".join(self._choose(ALPHABET) for _ in range(CODE_LETTERS))
        self._dies_s = self._clock() + CODE_LIFE_S
        self._wrong = 0
        return self._code

    def _tell(self, code: str | None, why: str) -> None:
        if code is not None:
            self._show(code, why)

    def _begin(self, address: str, browser: str) -> str:
        self._sweep()
        while len(self._sessions) >= MOST_SESSIONS:
            del self._sessions[min(self._sessions, key=lambda key: self._sessions[key].seen_s)]
        token, now = self._token(), self._clock()
        key = _key(token)
        # The id comes from the far end of a second hash: it tells nothing of token or key.
        name = hashlib.sha256(b"session" + key).hexdigest()[-12:]
        self._sessions[key] = Session(name, now, now, address, browser)
        return token

    def _sweep(self) -> None:
        now = self._clock()
        gone = [
            key
            for key, one in self._sessions.items()
            if now - one.seen_s >= IDLE_S or now - one.begun_s >= LONGEST_S
        ]
        for key in gone:
            del self._sessions[key]


def _key(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()
