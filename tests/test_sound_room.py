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
    wet = np.concatenate([room(send[:frames]), room(send[frames:])], axis=1)
    assert np.abs(wet[:, :at]).max() < 1e-6
    np.testing.assert_allclose(wet[:, at : at + response.shape[1]], response, atol=1e-6)


def test_a_full_send_returns_about_as_much_as_went_in():
    """Each side of the response has unit energy: wet and dry noise are equally loud."""
    room = Room(44_100)
    send = np.random.default_rng(1).standard_normal(room.block_frames).astype(np.float32)
    wet = room(send)
    ratio_db = 10 * np.log10((wet**2).mean(axis=1) / (send**2).mean())
    assert np.abs(ratio_db).max() < 1.0
