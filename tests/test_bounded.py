"""Photographs that the screens decode again cannot harm them: too slow, too large or deadly, each costs only itself."""

import io
import os
import signal
import threading

import numpy as np
import pytest
from kept import NOW
from PIL import Image

from digitise.pages.photo import NotAPhoto, decode_photo
from digitise.store import Store
from review_app import bounded, pictures


@pytest.fixture
def decoder():
    """A decoder of the test's own, ended with it."""
    made = []

    def make(**limits):
        made.append(bounded.Decoder(**limits))
        return made[-1]

    yield make
    for one in made:
        one.close()


def png(width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").resize((width, height)).save(out, "PNG", compress_level=1)
    return out.getvalue()


def test_what_the_bounded_process_decodes_is_what_anybody_decodes(decoder):
    """The same pixels, the same SHA-256, and the same refusal."""
    one = decoder()
    for data in (png(60, 40), b"words", b""):
        here, there = decode_photo(data, "a"), one.decode(data, "a")
        assert type(here) is type(there)
        assert here.sha256 == there.sha256
        if here:
            assert np.array_equal(here.gray, there.gray)
        else:
            assert here == there


def test_a_photograph_that_takes_too_long_is_refused_and_the_next_one_is_decoded(decoder):
    """The words say so; the limit here is shorter than a process needs to start."""
    one = decoder(seconds=0.01)

    found = one.decode(png(60, 40), "slow")
    assert not found
    assert (found.reason, found.detail) == ("damaged", "it took more than 0 seconds")


def test_a_photograph_that_needs_too_much_memory_is_refused_and_the_next_one_is_decoded(decoder):
    """Sixty megapixels do not fit into 40 MB beyond what the process starts with; a small one does."""
    one = decoder(megabytes=40)

    assert not one.decode(png(10_000, 6_000), "large")
    assert one.decode(png(60, 40), "small").gray.shape == (40, 60)


def test_a_decoder_that_dies_is_replaced(decoder):
    """Killed between two photographs: the next call finds a new process."""
    one = decoder()
    assert one.decode(png(60, 40), "a")
    os.kill(one._workers._workers[0].process.pid, signal.SIGKILL)

    assert one.decode(png(60, 40), "a").gray.shape == (40, 60)


def test_threads_take_turns_and_each_gets_its_own_picture(decoder):
    """Four at once, each another width."""
    one, found = decoder(), {}
    threads = [
        threading.Thread(target=lambda w=w: found.update({w: one.decode(png(w, 9), "x").gray.shape}))
        for w in range(10, 14)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert found == {w: (9, w) for w in range(10, 14)}


def test_a_photograph_that_breaks_its_decoder_is_an_empty_tile_on_the_screens(tmp_path, monkeypatch):
    """And in its full size it is a sentence."""
    monkeypatch.setattr(bounded, "decode", lambda data, name: NotAPhoto(name, name, "damaged", "it broke down twice"))
    with Store.open(tmp_path) as store:
        sha256 = store.keep_photo(png(60, 40), "a.png", now=NOW)
        tile = np.asarray(Image.open(io.BytesIO(pictures.small_photo(store, sha256))))
        with pytest.raises(ValueError, match="it broke down twice"):
            pictures.upright(store, sha256)

    assert tile.shape == (pictures.SMALL_PX, 3 * pictures.SMALL_PX // 4)
    assert np.ptp(tile) == 0
