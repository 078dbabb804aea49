"""Feeds that are not files: a device's door, MPEG-TS by TCP and UDP, RTSP; from senders on this machine."""

import io
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction

import av
import numpy as np
import pytest

from shimwise.imaging.frames import feed as feeds
from shimwise.imaging.frames.errors import FrameFileError
from shimwise.imaging.frames.feed import Feed

FRAMES, SIDE = 50, (96, 128)
PACKET = 7 * 188
"""Bytes of seven transport packets, as many as fit into a datagram."""


@pytest.fixture(scope="module")
def transport() -> bytes:
    """Two seconds of MPEG-TS whose frames are even greys that rise."""
    held = io.BytesIO()
    with av.open(held, "w", format="mpegts") as out:
        stream = out.add_stream("mpeg2video", rate=Fraction(25), options={"g": "1", "b": "2000000"})
        stream.height, stream.width = SIDE
        stream.pix_fmt = "yuv420p"
        for number in range(FRAMES):
            frame = av.VideoFrame.from_ndarray(np.full(SIDE, 60 + 2 * number, np.uint8), format="gray")
            out.mux(stream.encode(frame.reformat(format="yuv420p")))
        out.mux(stream.encode(None))
    return held.getvalue()


@contextmanager
def sender(send: Callable[[], None]) -> Iterator[None]:
    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    try:
        yield
    finally:
        thread.join(timeout=10.0)


def greys(address: str, *, most: int = FRAMES) -> list[float]:
    """Mean luma of the frames of a live feed as they come."""
    with Feed(address) as feed:
        assert feed.is_live
        assert (feed.facts.width_px, feed.facts.height_px) == (SIDE[1], SIDE[0])
        found = []
        for frame in feed.frames():
            if frame.luma is not None:
                found.append(float(frame.luma.mean()))
            if frame.luma is None or len(found) == most:
                break
        return found


def listening() -> socket.socket:
    door = socket.create_server(("127.0.0.1", 0))
    door.settimeout(10.0)
    return door


def test_a_transport_stream_by_tcp(transport: bytes) -> None:
    door = listening()

    def send() -> None:
        with door, door.accept()[0] as line:
            line.sendall(transport)

    with sender(send):
        found = greys(f"tcp://127.0.0.1:{door.getsockname()[1]}")
    assert len(found) >= 2
    assert found == sorted(found)


def test_a_transport_stream_by_udp(transport: bytes) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    is_over = threading.Event()

    def send() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
            for _ in range(400):
                for at in range(0, len(transport), PACKET):
                    line.sendto(transport[at : at + PACKET], ("127.0.0.1", port))
                    if is_over.wait(0.0005):
                        return

    with sender(send):
        found = greys(f"udp://127.0.0.1:{port}", most=3)
        is_over.set()
    assert len(found) == 3


def test_an_rtsp_camera(transport: bytes) -> None:
    door = listening()
    port = door.getsockname()[1]

    with sender(lambda: _serve_rtsp(door, transport)):
        found = greys(f"rtsp://127.0.0.1:{port}/feed", most=3)
    assert len(found) == 3


def _serve_rtsp(door: socket.socket, transport: bytes) -> None:
    """Answer one client (RFC 2326) and send the stream over the same line, payload type 33 (RFC 2250)."""
    sdp = "v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=feed\r\nt=0 0\r\nm=video 0 RTP/AVP 33\r\na=control:track\r\n"
    with door, door.accept()[0] as line:
        line.settimeout(10.0)
        heard = line.makefile("rb")
        while True:
            asked = heard.readline().split()
            if not asked:
                return
            fields = dict(
                text.decode().strip().split(": ", 1)
                for text in iter(heard.readline, b"\r\n")
                if b": " in text
            )
            answer = {"CSeq": fields["CSeq"], "Session": "1"}
            body = ""
            if asked[0] == b"OPTIONS":
                answer["Public"] = "OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN"
            elif asked[0] == b"DESCRIBE":
                body = sdp
                answer |= {"Content-Type": "application/sdp", "Content-Length": str(len(sdp))}
            elif asked[0] == b"SETUP":
                if "TCP" not in fields["Transport"]:
                    line.sendall(
                        f"RTSP/1.0 461 Unsupported Transport\r\nCSeq: {fields['CSeq']}\r\n\r\n".encode()
                    )
                    continue
                answer["Transport"] = "RTP/AVP/TCP;unicast;interleaved=0-1"
            head = "".join(f"{name}: {value}\r\n" for name, value in answer.items())
            line.sendall(f"RTSP/1.0 200 OK\r\n{head}\r\n{body}".encode())
            if asked[0] == b"PLAY":
                _send_rtp(line, transport)
                return


def _send_rtp(line: socket.socket, transport: bytes) -> None:
    try:
        for number, at in enumerate(range(0, len(transport), PACKET)):
            packet = struct.pack(">BBHII", 0x80, 33, number & 0xFFFF, 3600 * number, 7)
            packet += transport[at : at + PACKET]
            line.sendall(b"$\0" + struct.pack(">H", len(packet)) + packet)
    except OSError:
        pass  # the client has seen enough


def test_a_device_is_opened_by_video4linux(transport: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def opened(source: str, mode: str, **options: object) -> object:
        asked.append((source, mode, options["format"]))
        return real(io.BytesIO(transport), "r", format="mpegts")

    real = av.open
    monkeypatch.setattr(feeds.av, "open", opened)
    found = greys("/dev/video0")
    assert asked == [("/dev/video0", "r", "v4l2")]
    assert found == sorted(found)
    assert found[0] >= 16 + 60 * 219 / 255 - 1.0


def test_a_device_that_is_not_there_is_a_sentence() -> None:
    with pytest.raises(FrameFileError, match="check that it is there"):
        Feed("/dev/video987")


def test_a_line_that_nobody_answers_is_a_sentence() -> None:
    with socket.create_server(("127.0.0.1", 0)) as door:
        port = door.getsockname()[1]
    with pytest.raises(FrameFileError, match="cannot be opened"):
        Feed(f"tcp://127.0.0.1:{port}")
