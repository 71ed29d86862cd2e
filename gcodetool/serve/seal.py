"""Signed things: the cookie of a device, the key of a form; and the code that pairs a device.

A form's key carries what the form is about and what its page knew, signed, for one device alone.  Left out: what the
ledger keeps of them (``app.access``, ``app.noting``).
"""

import hashlib
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from itsdangerous import BadSignature, SignatureExpired, Signer, URLSafeTimedSerializer

FORM_LASTS_S: Final = 7 * 86_400
CODE_LASTS_S: Final = 600.0
About = Literal["spool", "place", "pair"]
SIGNS: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that is taken for another
CODE_LENGTH: Final = 8  # 31**8: ten tries a minute for a year are 1 in 150,000
WRONG_BEFORE_NEW: Final = 10  # wrong codes from anywhere, then it is another code
LONGEST_WAIT_S: Final = 300.0


class NotOursError(Exception):
    """A key that this server did not sign, or not for this device."""


class TooOldError(Exception):
    """A form of a page that was opened too long ago."""


class WaitError(Exception):
    """Too many wrong codes: *seconds* to wait."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"wait {seconds:.0f} s")
        self.seconds = seconds


@dataclass(frozen=True)
class FormKey:
    """What a form's key says."""

    text: str
    subject: About
    name: str
    seen: int | None


class Seal:
    """Signs with the machine's secret."""

    def __init__(self, secret: str) -> None:
        self._cookies = Signer(secret, salt="gcodetool device", digest_method=hashlib.sha256)
        self._forms = URLSafeTimedSerializer(
            secret, salt="gcodetool form", signer_kwargs={"digest_method": hashlib.sha256}
        )

    def cookie(self, token: str) -> str:
        """Return the value of the cookie for a token."""
        return self._cookies.sign(token).decode()

    def token(self, cookie: str | None) -> str | None:
        """Return the token in a cookie; None where it was not signed here."""
        if cookie is None:
            return None
        try:
            return self._cookies.unsign(cookie).decode()
        except (BadSignature, UnicodeDecodeError):
            return None

    def form(self, token: str, subject: About, name: str, seen: int | None = None) -> str:
        """Return a new key for a form."""
        return str(self._forms.dumps([secrets.token_hex(8), short(token), subject, name, seen]))

    def opened(self, key: str, token: str) -> FormKey:
        """Return what a form's key says.

        Raises
        ------
        NotOursError, TooOldError
            It was not given to this device, or too long ago.
        """
        try:
            _, device, subject, name, seen = self._forms.loads(key, max_age=FORM_LASTS_S)
        except SignatureExpired:
            raise TooOldError from None
        except (BadSignature, ValueError, TypeError):
            raise NotOursError from None
        if not secrets.compare_digest(str(device), short(token)):
            raise NotOursError
        return FormKey(key, subject, name, seen)


def short(token: str) -> str:
    """Return what stands for a token where it must not be read."""
    return hashlib.sha256(token.encode()).hexdigest()[:24]


class Pairing:
    """The code of the moment: it is told on the terminal, is good once and not for long, and wrong ones cost time."""

    def __init__(self, tell: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self.tell, self.clock = tell, clock
        self.lock = threading.Lock()
        self.code, self.made_s = "", -CODE_LASTS_S
        self.wrong = 0
        self.until: dict[str, tuple[int, float]] = {}  # by address: wrong ones, and when it may try again

    def offer(self) -> None:
        """See that there is a code, and tell a new one."""
        with self.lock:
            self._fresh()

    def _fresh(self, *, again: bool = False) -> None:
        if again or self.clock() - self.made_s >= CODE_LASTS_S:
            self.code = "".join(secrets.choice(SIGNS) for _ in range(CODE_LENGTH))
            self.made_s, self.wrong = self.clock(), 0
            self.tell(f"{self.code[:4]} {self.code[4:]}")

    def tried(self, said: str, address: str) -> bool:
        """Return whether that is the code; it is used up then.

        Raises
        ------
        WaitError
            That address was wrong too often to try already.
        """
        word = "".join(sign for sign in said.upper() if sign.isalnum())
        with self.lock:
            now = self.clock()
            times, free_s = self.until.get(address, (0, now))
            if now < free_s:
                raise WaitError(free_s - now)
            right = now - self.made_s < CODE_LASTS_S and secrets.compare_digest(
                word.encode(), self.code.encode()
            )
            if right:
                self.until.pop(address, None)
                self._fresh(again=True)
                return True
            if len(self.until) > 1000:  # addresses cost memory; those that may try again are forgotten first
                self.until = {key: value for key, value in self.until.items() if value[1] > now}
            self.until[address] = (times + 1, now + min(LONGEST_WAIT_S, 2.0**times))
            self.wrong += 1
            self._fresh(again=self.wrong >= WRONG_BEFORE_NEW)
            return False
