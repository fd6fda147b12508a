"""The room is exactly the convolution with its impulse response, whatever the blocks."""

import numpy as np

from generator.sound.room import Room, impulse_response


def test_an_impulse_returns_the_response_over_block_borders():
    room = Room(44_100)
    response = impulse_response(44_100)
    frames = room.block_frames
    at = frames - 1000  # rings on into the second block
    send = np.zeros(2 * frames, np.float32)
    send[at] = 1.0
    wet = np.zeros((2, 2 * frames), np.float32)
    for start in (0, frames):
        room.add(send[start : start + frames], wet[:, start : start + frames])
    assert np.abs(wet[:, :at]).max() < 1e-6
    np.testing.assert_allclose(wet[:, at : at + response.shape[1]], response, atol=1e-6)


def test_a_full_send_returns_about_as_much_as_went_in():
    """Each side of the response has unit energy: wet and dry noise are equally loud."""
    room = Room(44_100)
    send = np.random.default_rng(1).standard_normal(room.block_frames).astype(np.float32)
    wet = np.zeros((2, room.block_frames), np.float32)
    room.add(send, wet)
    ratio_db = 10 * np.log10((wet**2).mean(axis=1) / (send**2).mean())
    assert np.abs(ratio_db).max() < 1.0


def test_a_still_room_rings_out_and_adds_nothing_more():
    """A silent send costs no transform: what rang is added once, and `another` starts silent."""
    room, silence = Room(44_100), np.zeros(Room(44_100).block_frames, np.float32)
    send = silence.copy()
    send[-1] = 1.0
    out = np.zeros((3, 2, room.block_frames), np.float32)
    room.add(send, out[0])
    fresh = room.another()
    room.add(silence, out[1])
    room.add(silence, out[2])
    response = impulse_response(44_100)
    np.testing.assert_allclose(out[1][:, : response.shape[1] - 1], response[:, 1:], atol=1e-6)
    assert not out[2].any()
    quiet = np.zeros((2, room.block_frames), np.float32)
    fresh.add(silence, quiet)
    assert not quiet.any()
