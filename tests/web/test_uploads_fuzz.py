"""Uploads under any order of calls, any offsets and sizes, any names and values."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from starlette.testclient import TestClient
from uploads_bed import bench_check

from vibecheck.errors import CallError, InputError
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings
from vibecheck.web.uploads.state import UploadError
from vibecheck.web.uploads.store import UploadStore
from vibecheck.web.uploads.wish import LARGEST_PCM_BYTES, UploadWish, safe_name, wish_from

WHOLE = bytes(range(256)) * 16
"""Bare samples: 1024 of them, some not even numbers."""
WISH = wish_from(
    {
        "key": "fuzzed-0000-0000-0000",
        "sitting": 1,
        "spot": "centre",
        "form": "pcm_f32le",
        "sample_rate_hz": 48_000,
        "channels": 1,
        "file_name": "spin.wav",
    }
)
plain = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40)
anything = st.recursive(
    plain,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4)
    ),
    max_leaves=8,
)


def answer_of(call: Callable[[], int]) -> tuple[int, int | None]:
    """Return the status and the offset of a call."""
    try:
        return 200, call()
    except UploadError as error:
        return error.status, error.offset


class Calls(RuleBasedStateMachine):
    """The store against the plainest model: the bytes that must be there."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.store = UploadStore(self.folder)
        self.id = ""
        self.bytes: bytes | None = None
        self.phase = "receiving"

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    @rule()
    def create(self) -> None:
        state, made = self.store.create(WISH)
        assert made == (self.bytes is None)
        self.id = state.id
        if made:
            self.bytes, self.phase = b"", "receiving"

    @rule()
    def restart(self) -> None:
        self.store = UploadStore(self.folder)

    @precondition(lambda self: self.id)
    @rule(offset=st.integers(0, 5_000), right=st.booleans(), n=st.integers(0, 3_000))
    def append(self, offset: int, right: bool, n: int) -> None:
        here = self.bytes
        if right and here is not None:
            offset = len(here)
        piece = WHOLE[offset : offset + n]
        status, reached = answer_of(lambda: self.store.append(self.id, offset, piece))
        if here is None:
            assert status == 404
        elif self.phase == "receiving" and offset == len(here):
            self.bytes = here + piece
            assert (status, reached) == (200, len(self.bytes))
        else:
            assert (status, reached) == (409, self.size)

    @property
    def size(self) -> int:
        return len(self.bytes or b"")

    @precondition(lambda self: self.id)
    @rule(wrong=st.booleans())
    def finish(self, wrong: bool) -> None:
        sha256 = hashlib.sha256(b"other" if wrong else WHOLE).hexdigest()
        status, offset = answer_of(lambda: self.store.finish(self.id, len(WHOLE), sha256).offset)
        if self.bytes is None:
            assert status == 404
        elif self.phase != "receiving":
            assert status == (409 if wrong else 200)
        elif self.size < len(WHOLE):
            assert (status, offset) == (409, self.size)
        elif wrong:
            assert (status, offset) == (422, 0)
            self.bytes = b""
        else:
            assert status == 200
            assert self.bytes == WHOLE
            self.phase = "whole"

    @precondition(lambda self: self.phase == "whole" and self.bytes is not None)
    @rule()
    def keep(self) -> None:
        self.store.note_kept(self.id, "/checks/1/result")
        self.phase = "kept"

    @precondition(lambda self: self.id)
    @rule()
    def discard(self) -> None:
        self.store.discard(self.id)
        self.bytes, self.phase = None, "receiving"

    @invariant()
    def what_is_here_is_what_was_sent(self) -> None:
        if not self.id:
            return
        if self.bytes is None:
            with pytest.raises(UploadError):
                self.store.state(self.id)
            return
        state = self.store.state(self.id)
        assert (state.offset, state.phase) == (self.size, self.phase)
        if self.phase == "whole":
            assert WHOLE in state.path.read_bytes()
        if self.phase == "receiving":
            assert (state.path.parent / "data.part").read_bytes() == self.bytes


Calls.TestCase.settings = settings(
    max_examples=40, stateful_step_count=20, deadline=None, derandomize=True
)
TestCalls = Calls.TestCase


@given(st.text(max_size=300) | st.sampled_from(["../../x.wav", "..\\..\\x.wav", "/", "a\0.wav"]))
def test_any_name_stays_one_name_in_its_folder(name: str) -> None:
    safe = safe_name(name)
    assert len(safe.encode()) < 200
    assert not set(safe) & set("/\\\0\n\r:*?\"<>|'`$")
    assert safe not in (".", "..", "state.json", "data.part") or "." in name
    assert not safe.startswith(".")
    assert (Path("folder") / safe).parent == Path("folder") or not safe


@given(anything)
def test_any_json_is_a_wish_or_refused_in_words(values: Any) -> None:
    with contextlib.suppress(CallError):
        assert isinstance(wish_from(values), UploadWish)


@given(
    st.fixed_dictionaries(
        {"key": st.just("k" * 20) | anything, "sitting": st.just(1) | anything},
        optional={
            "spot": st.just("centre") | anything,
            "sensor": st.just("microphone") | anything,
            "file_name": st.just("x.wav") | st.text(max_size=30).map(lambda s: s + ".wav"),
            "form": st.sampled_from(["file", "pcm_f32le"]) | anything,
            "size": st.just(9) | anything,
            "sample_rate_hz": st.just(48_000) | anything,
            "channels": st.just(1) | anything,
            "capture": anything,
            "reading": anything,
        },
    )
)
@settings(deadline=None)
def test_a_wish_that_is_taken_survives_the_disk(values: dict[str, Any]) -> None:
    try:
        taken = wish_from(values)
    except CallError:
        return
    assert wish_from(json.loads(json.dumps(taken.to_dict()))) == taken
    assert taken.largest_bytes <= max(LARGEST_PCM_BYTES, 200 * 2**20)


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Any:
    app = create_app(Settings(data=tmp_path_factory.mktemp("garage")))
    bench_check(app)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        yield client


@given(
    method=st.sampled_from(["HEAD", "PATCH", "DELETE", "POST"]),
    tail=st.text("abcdef0123456789./%\\-", max_size=40),
    action=st.sampled_from(["", "/finish", "/look", "/keep"]),
    offset=st.text("0123456789-+e. x", max_size=20),
    kind=st.sampled_from(["application/json", "application/octet-stream", "text/html", ""]),
    body=st.binary(max_size=200) | anything.map(lambda v: json.dumps(v).encode()),
)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_call_is_answered_without_a_fault(
    fuzzed: TestClient, method: str, tail: str, action: str, offset: str, kind: str, body: bytes
) -> None:
    answer = fuzzed.request(
        method,
        f"/uploads/{tail}{action}",
        content=body,
        headers={"content-type": kind, "upload-offset": offset},
    )
    assert answer.status_code < 500
    assert "Traceback" not in answer.text


def test_samples_that_are_no_numbers_are_kept_bit_for_bit(tmp_path: Path) -> None:
    store = UploadStore(tmp_path)
    state, _made = store.create(WISH)
    store.append(state.id, 0, WHOLE)
    whole = store.finish(state.id, len(WHOLE), hashlib.sha256(WHOLE).hexdigest())
    assert WHOLE in whole.path.read_bytes()
    empty, _made = store.create(wish_from(WISH.to_dict() | {"key": "other-0000-0000-0000"}))
    with pytest.raises(InputError, match="Nothing was recorded"):
        store.finish(empty.id, 0, hashlib.sha256(b"").hexdigest())
