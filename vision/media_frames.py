"""Only whole frames out of a film, with their time stamps, whatever is broken in it.

A decoder fills what is lost from earlier frames. There a lamp that has gone out would stay
lit, so after damage nothing is handed on until the next key frame.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Iterator

import av
from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

#: A transport stream has lost frames where its decoding times jump by more than this many
#: frames, unless such jumps are usual in it (more than one packet in `_USUAL_JUMP`).
_JUMP = 1.5
_USUAL_JUMP = 20


class WholeFrames:
    """Iterate for pairs of decoded frame and presentation time stamp (None if there is none).

    Parameters
    ----------
    container, stream : open for reading; damage in them ends or interrupts the iteration but
        never raises
    warn : called with a sentence for each kind of damage
    """

    def __init__(
        self, container: InputContainer, stream: VideoStream, warn: Callable[[str], None]
    ) -> None:
        self._container = container
        self._stream = stream
        self._warn = warn
        self._waiting = False
        self._lost = 0
        # Decoding times after which packets are missing or damaged, in order.
        self._breaks: deque[int] = deque()
        self._watch_jumps = container.format.name == "mpegts"
        # AVI knows no presentation times: its stamps count packets as they are stored. Frames
        # come out of the decoder in the order of presentation, so the smallest stamp not yet
        # used belongs to the next one.
        self._stored = container.format.name == "avi"
        self._stamps: list[int] = []

    def __iter__(self) -> Iterator[tuple[av.VideoFrame, int | None]]:
        for packet in self._packets():
            if packet is not None and packet.is_corrupt:
                # Read only in part.
                self._lost += 1
                if packet.dts is not None:
                    self._breaks.append(packet.dts - 1)
                continue
            if self._stored and packet is not None and packet.dts is not None:
                heapq.heappush(self._stamps, packet.dts)
            try:
                decoded = self._stream.decode(packet)
            except FFmpegError:
                self._waiting = True
                self._lost += 1
                self._stamp(None)
                continue
            for frame in decoded:
                stamp = self._stamp(frame)
                if self._is_whole(frame, stamp):
                    yield frame, stamp
                else:
                    self._lost += 1
        if self._lost:
            frames = "1 frame was" if self._lost == 1 else f"{self._lost} frames were"
            self._warn(f"the file is damaged: {frames} left out")

    def _packets(self) -> Iterator[av.Packet[VideoStream] | None]:
        """The packets, then None for what the decoder still holds if the file broke off."""
        packets = iter(self._container.demux(self._stream))
        last: int | None = None
        count = jumps = 0
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except FFmpegError:
                self._warn("the file breaks off; the rest of it is missing")
                yield None
                return
            if self._watch_jumps and packet.dts is not None:
                count += 1
                if last is not None and packet.dts - last > _JUMP * (packet.duration or 1e18):
                    jumps += 1
                    if jumps * _USUAL_JUMP < count:
                        self._breaks.append(last)
                last = packet.dts
            yield packet

    def _stamp(self, frame: av.VideoFrame | None) -> int | None:
        if self._stored:
            return heapq.heappop(self._stamps) if self._stamps else None
        if frame is None:
            return None
        return frame.pts if frame.pts is not None else frame.dts

    def _is_whole(self, frame: av.VideoFrame, stamp: int | None) -> bool:
        while self._breaks and stamp is not None and stamp > self._breaks[0]:
            # A frame is never shown before it is decoded, so this one may lie behind the gap.
            self._breaks.popleft()
            self._waiting = True
        if frame.is_corrupt:
            self._waiting = True
        elif frame.key_frame:
            self._waiting = False
        return not self._waiting
