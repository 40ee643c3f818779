"""Pairing: a code that works once and not for long, sessions that end, no secret kept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from access_bed import Bed, Clock, Shown, guarded_bed

from vibecheck.web.access import pairing as pairing_module
from vibecheck.web.access.names import COOKIE
from vibecheck.web.access.pages import ago_words, browser_words
from vibecheck.web.access.pairing import (
    ALPHABET,
    CODE_LETTERS,
    CODE_LIFE_S,
    IDLE_S,
    LONGEST_S,
    MOST_SESSIONS,
    MOST_WRONG,
    Pairing,
    clock_s,
    new_token,
    tidy_code,
)


@pytest.fixture
def bed(tmp_path: Path) -> Iterator[Bed]:
    with guarded_bed(tmp_path) as made:
        yield made


def made() -> tuple[Pairing, Clock, Shown]:
    clock, shown = Clock(), Shown()
    pairing = Pairing(shown, clock=clock)
    pairing.offer()
    return pairing, clock, shown


def pair(pairing: Pairing, code: str) -> tuple[str, str]:
    return pairing.pair(code, address="192.168.7.31", browser="Chrome, Android")


def test_a_code_is_random_and_unambiguous() -> None:
    # ASVS 5.0.0, 6.4.1, 6.5.3, 6.5.4: from the system's random source, at least 20 bits.
    assert len(ALPHABET) ** CODE_LETTERS > 2**36
    assert not set("01258BGILOSZ".replace("G", "")) & set(ALPHABET)
    codes = set()
    for _ in range(200):
        _, _, shown = made()
        codes.add(shown.codes[0])
    assert len(codes) == 200
    assert {len(code) for code in codes} == {CODE_LETTERS}
    assert set("".join(codes)) == set(ALPHABET)


def test_a_code_may_be_typed_as_it_is_read() -> None:
    assert tidy_code(" acde-fghj\n") == "ACDEFGHJ"
    pairing, _, shown = made()
    code = shown.codes[0].lower()
    assert pair(pairing, f" {code[:4]} - {code[4:]} ")[0] == "paired"


def test_a_code_works_once_and_another_is_shown() -> None:
    # ASVS 5.0.0, 6.4.1 and 6.5.1: a code is good for one use.
    pairing, _, shown = made()
    first = shown.codes[0]
    outcome, token = pair(pairing, first)
    assert outcome == "paired"
    assert pairing.session_of(token) is not None
    assert pair(pairing, first)[0] == "wrong"
    assert len(shown.codes) == 2
    assert shown.whys[1] == "Paired: Chrome, Android, at 192.168.7.31."


def test_a_code_expires() -> None:
    # ASVS 5.0.0, 6.5.5: at most 10 minutes.
    assert CODE_LIFE_S <= 600
    pairing, clock, shown = made()
    clock.now_s += CODE_LIFE_S - 0.01
    pairing.offer()
    assert len(shown.codes) == 1
    clock.now_s += 0.02
    assert pair(pairing, shown.codes[0]) == ("expired", "")
    assert len(shown.codes) == 2
    assert pair(pairing, shown.codes[1])[0] == "paired"


def test_five_wrong_codes_end_a_code() -> None:
    # ASVS 5.0.0, 6.1.1, 6.3.1 and 6.6.3: guessing is limited; the owner is told, nobody locked out.
    pairing, _, shown = made()
    right = shown.codes[0]
    for _ in range(MOST_WRONG):
        assert pair(pairing, "AAAAAAAA") == ("wrong", "")
    assert len(shown.codes) == 2
    assert "5 wrong codes were tried, the last one from 192.168.7.31" in shown.whys[1]
    assert pair(pairing, right)[0] == "wrong"
    assert pair(pairing, shown.codes[1])[0] == "paired"


def test_no_code_and_odd_letters_are_wrong() -> None:
    pairing, _, _ = made()
    assert pair(pairing, "")[0] == "wrong"
    assert pair(pairing, "\ud800ÄÖ\x00")[0] == "wrong"
    never_offered = Pairing()
    assert pair(never_offered, "")[0] == "expired"


def test_a_token_has_256_bits_and_is_kept_as_a_hash_only() -> None:
    # ASVS 5.0.0, 7.2.2 and 7.2.3: made for the session, at least 128 bits of the random source.
    assert len(new_token()) == 43
    assert new_token() != new_token()
    pairing, _, shown = made()
    code = shown.codes[0]
    _, token = pair(pairing, code)
    kept = repr(vars(pairing))
    assert token not in kept
    assert pairing.sessions()[0].id not in token
    assert pairing.session_of(token + "x") is None
    assert pairing.session_of("") is None


def test_sessions_end_by_idleness_and_by_age() -> None:
    # ASVS 5.0.0, 7.4.1: nothing of an ended session is good any more.
    pairing, clock, shown = made()
    _, token = pair(pairing, shown.codes[-1])
    clock.now_s += IDLE_S - 1
    assert pairing.session_of(token) is not None
    clock.now_s += IDLE_S
    assert pairing.session_of(token) is None
    pairing.offer()
    begun = clock.now_s
    _, token = pair(pairing, shown.codes[-1])
    while clock.now_s + 3600 < begun + LONGEST_S:
        clock.now_s += 3600
        assert pairing.session_of(token) is not None
    clock.now_s = begun + LONGEST_S
    assert pairing.session_of(token) is None
    assert pairing.sessions() == ()


def test_the_one_idle_longest_makes_room() -> None:
    pairing, clock, shown = made()
    tokens = []
    for _ in range(MOST_SESSIONS + 1):
        tokens.append(pair(pairing, shown.codes[-1])[1])
        clock.now_s += 1
    assert len(pairing.sessions()) == MOST_SESSIONS
    assert pairing.session_of(tokens[0]) is None
    assert pairing.session_of(tokens[1]) is not None


def test_the_code_is_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    real = pairing_module.hmac.compare_digest

    def watched(given: bytes, right: bytes) -> bool:
        seen.append((given, right))
        return real(given, right)

    monkeypatch.setattr(pairing_module.hmac, "compare_digest", watched)
    pairing, _, shown = made()
    pair(pairing, "AAAAAAAA")
    assert seen == [(b"AAAAAAAA", shown.codes[0].encode())]


def test_the_clock_runs_on() -> None:
    assert 0 <= clock_s() <= clock_s()


def test_pairing_through_the_page_sets_a_strict_cookie(bed: Bed) -> None:
    # ASVS 5.0.0, 3.3.1 to 3.3.4: Secure, __Host-, SameSite, HttpOnly.
    browser = bed.browser()
    assert browser.get("/pair").status_code == 200
    answer = browser.post("/pair", data={"code": bed.shown.codes[0]})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    name, _, flags = answer.headers["set-cookie"].partition("=")
    assert name == COOKIE == "__Host-vibecheck"
    parts = {part.strip().lower() for part in flags.split(";")[1:]}
    assert {"secure", "httponly", "samesite=strict", "path=/"} <= parts
    assert not any(part.startswith("domain") for part in parts)
    assert browser.get("/").status_code != 303


def test_a_wrong_code_says_so_and_shows_no_code(bed: Bed) -> None:
    browser = bed.browser()
    browser.get("/pair")
    answer = browser.post("/pair", data={"code": "AAAAAAAA"})
    assert answer.status_code == 403
    assert "That code is not right." in answer.text
    assert "set-cookie" not in answer.headers
    assert bed.shown.codes[0] not in answer.text
    bed.clock.now_s += CODE_LIFE_S
    answer = browser.post("/pair", data={"code": bed.shown.codes[0]})
    assert answer.status_code == 403
    assert "expired" in answer.text


def test_an_opened_pairing_page_makes_one_code_in_ten_minutes(bed: Bed) -> None:
    for _ in range(5):
        bed.browser().get("/pair")
    assert len(bed.shown.codes) == 1
    bed.clock.now_s += CODE_LIFE_S + 1
    bed.browser().get("/pair")
    assert len(bed.shown.codes) == 2


def test_pairing_again_begins_another_session(bed: Bed) -> None:
    # ASVS 5.0.0, 7.2.4: a new token at each pairing; the one before is good no more.
    browser = bed.paired()
    before = browser.cookies[COOKIE]
    browser.post("/pair", data={"code": bed.shown.codes[-1]})
    assert browser.cookies[COOKIE] != before
    assert len(bed.pairing.sessions()) == 1
    assert bed.pairing.session_of(before) is None


def test_signing_off_ends_the_session_at_the_server(bed: Bed) -> None:
    # ASVS 5.0.0, 7.4.1 and 14.3.1.
    browser = bed.paired()
    token = browser.cookies[COOKIE]
    answer = browser.post("/pair/leave")
    assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
    assert '"storage"' in answer.headers["clear-site-data"]
    assert COOKIE not in browser.cookies
    again = bed.browser(cookie=f"{COOKIE}={token}")
    assert again.get("/").headers["location"] == "/pair"


def test_paired_browsers_are_listed_and_signed_off(bed: Bed) -> None:
    # ASVS 5.0.0, 7.5.2: see and end any session.
    mine = bed.paired("192.168.7.31")
    phone = {"user-agent": "Mozilla/5.0 (Linux; Android 16) Chrome/140 <b>x</b>"}
    others = [bed.paired(f"192.168.7.{at}", **phone) for at in (41, 42, 43)]
    bed.clock.now_s += 300
    shown = mine.get("/pair").text
    assert shown.count("192.168.7.4") >= 3
    assert "Chrome, Android" in shown
    assert "5 minutes ago" in shown
    assert "<b>x</b>" not in shown
    assert "this browser" in shown
    wanted = next(one.id for one in bed.pairing.sessions() if one.address == "192.168.7.41")
    assert mine.post("/pair/end", data={"session": wanted}).status_code == 303
    assert others[0].get("/pair/x").headers["location"] == "/pair"
    assert len(bed.pairing.sessions()) == 3
    mine.post("/pair/end", data={"session": "others"})
    assert [one.address for one in bed.pairing.sessions()] == ["192.168.7.31"]


def test_tries_of_one_address_are_limited(bed: Bed) -> None:
    # ASVS 5.0.0, 6.3.1: and another address is not made to wait for it.
    stranger = bed.browser("192.168.7.66")
    stranger.get("/pair")
    codes = [stranger.post("/pair", data={"code": "AAAAAAAA"}).status_code for _ in range(8)]
    assert codes == [403] * 5 + [429] * 3
    assert len(bed.shown.codes) == 2
    answer = stranger.post("/pair", data={"code": "AAAAAAAA"})
    assert int(answer.headers["retry-after"]) <= 31
    bed.paired("192.168.7.31")
    bed.clock.now_s += 31
    assert stranger.post("/pair", data={"code": "AAAAAAAA"}).status_code == 403
    assert stranger.post("/pair", data={"code": "AAAAAAAA"}).status_code == 429


def test_pairing_is_said_to_be_off_on_this_computer_alone(
    client_of_loopback: object, tmp_path: Path
) -> None:
    from starlette.testclient import TestClient

    assert isinstance(client_of_loopback, TestClient)
    assert "vibecheck serve --lan" in client_of_loopback.get("/pair").text
    assert client_of_loopback.post("/pair", data={"code": "x"}).status_code == 404
    assert "needs no certificate" in client_of_loopback.get("/certificate").text
    assert client_of_loopback.get("/certificate/vibecheck-authority.crt").status_code == 404


@pytest.fixture
def client_of_loopback(tmp_path: Path) -> Iterator[object]:
    from starlette.testclient import TestClient

    from vibecheck.web.access.guard import wrap
    from vibecheck.web.app import create_app
    from vibecheck.web.settings import Settings

    settings = Settings(data=tmp_path / "alone")
    app = create_app(settings)
    with TestClient(
        wrap(app, settings),
        base_url="http://127.0.0.1:8137",
        headers={"origin": "http://127.0.0.1:8137"},
    ) as client:
        yield client


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        ("Mozilla/5.0 (Linux; Android 16) AppleWebKit Chrome/140 Safari/537", "Chrome, Android"),
        ("Mozilla/5.0 (iPhone; CPU) AppleWebKit Version/26 Safari/604", "Safari, iPhone"),
        ("Mozilla/5.0 (X11; Linux x86_64; rv:140) Gecko Firefox/140", "Firefox, Linux"),
        ("", "A browser"),
        ("\x1b[31m<script>", "A browser"),
    ],
)
def test_a_browser_is_named_in_our_words(agent: str, words: str) -> None:
    assert browser_words(agent) == words


def test_ago_in_words() -> None:
    assert [ago_words(s) for s in (0, 59, 60, 3599, 3600, 7300)] == [
        *("just now", "just now", "1 minute ago", "59 minutes ago", "1 hour ago", "2 hours ago")
    ]
