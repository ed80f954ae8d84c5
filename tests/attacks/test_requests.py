"""Single requests of strangers that would hold everybody up, and tries to come in from many addresses."""

import time

import pytest

from dashboard.web.way_in import COOKIE
from tests.attacks.test_server import ask, plain, serving

COOKIES = {"backslashes": "\\" * 30_000, "numbers": "\\1" * 15_000, "quotes": '\\"' * 15_000, "names": "=;" * 15_000}


@pytest.mark.parametrize("cookie", COOKIES.values(), ids=COOKIES)
def test_no_cookie_holds_everybody_up(cookie: str) -> None:
    """All connections are watched by one loop, which reads the cookies of strangers, too."""
    with serving(plain) as port:
        began_s = time.monotonic()
        assert ask(port, more=f'Cookie: {COOKIE}="{cookie}"\r\n').startswith("HTTP/1.1 200")
        assert time.monotonic() - began_s < 1
