"""The line between rig and host, and what a bad one does to frames."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from benchrig_sim.faults import LINE_KINDS, Fault, FaultKind


@dataclass(slots=True)
class Line:
    """One direction: counts frames and spoils the ones it was told to."""

    spoil: dict[int, list[Fault]] = field(default_factory=dict)
    frames: int = 0
    blocked_until_s: float = 0.0
    held: list[tuple[float, bytes]] = field(default_factory=list)

    def expect(self, frame: int, fault: Fault) -> None:
        """Spoil this frame, counted from 1."""
        if fault.kind in LINE_KINDS:
            self.spoil.setdefault(frame, []).append(fault)

    def frame(self, data: bytes, t: float) -> list[tuple[float, bytes]]:
        """What becomes of one frame: pieces and when they arrive; later ones queue behind."""
        self.frames += 1
        pieces = [(t, data)]
        for fault in self.spoil.get(self.frames, ()):
            pieces = self._spoiled(fault, pieces)
        return pieces

    def _spoiled(
        self, fault: Fault, pieces: list[tuple[float, bytes]]
    ) -> list[tuple[float, bytes]]:
        if not pieces:
            return pieces
        (t, data), rest = pieces[0], pieces[1:]
        place = int(fault.number(len(data) // 2)) % max(len(data), 1)
        kind = fault.kind
        if kind is FaultKind.BYTE_LOST:
            return [(t, data[:place] + data[place + 1 :]), *rest]
        if kind is FaultKind.BYTE_DOUBLED:
            return [(t, data[: place + 1] + data[place:]), *rest]
        if kind is FaultKind.BIT_FLIPPED:
            flipped = bytes((data[place] ^ 0x10,))
            return [(t, data[:place] + flipped + data[place + 1 :]), *rest]
        if kind is FaultKind.FRAME_LOST:
            return rest
        if kind is FaultKind.FRAME_DOUBLED:
            return [(t, data), *pieces]
        later = t + (fault.duration_s or 0.2)
        if kind is FaultKind.FRAME_DELAYED:
            return [(later, data), *rest]
        return [(t, data[:place]), (later, data[place:]), *rest]  # half a frame, then the rest

    def queue(self, pieces: Iterable[tuple[float, bytes]]) -> None:
        """Keep pieces until they arrive; a line never overtakes itself."""
        for piece in pieces:
            if piece[0] < self.blocked_until_s:
                piece = (self.blocked_until_s, piece[1])
            self.blocked_until_s = piece[0]
            self.held.append(piece)

    def arrived(self, now_s: float) -> list[tuple[float, bytes]]:
        """Take what has arrived by now."""
        if not self.held or self.held[0][0] > now_s:
            return []
        if self.held[-1][0] <= now_s:
            taken, self.held = self.held, []
            return taken
        count = sum(1 for t, _ in self.held if t <= now_s)
        taken, self.held = self.held[:count], self.held[count:]
        return taken

    def next_arrival_s(self) -> float | None:
        """When the next piece arrives."""
        return self.held[0][0] if self.held else None
