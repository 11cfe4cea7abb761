"""Large letters from half-block characters: read at arm's length, with or without colour."""

from __future__ import annotations

# Five rows of pixels a letter; only the letters our few large words need.
_LETTERS: dict[str, str] = {
    "A": ".##. #..# #### #..# #..#",
    "B": "###. #..# ###. #..# ###.",
    "D": "###. #..# #..# #..# ###.",
    "E": "#### #... ###. #... ####",
    "F": "#### #... ###. #... #...",
    "G": ".### #... #.## #..# .###",
    "I": "# # # # #",
    "K": "#..# #.#. ##.. #.#. #..#",
    "L": "#... #... #... #... ####",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": ".##. #..# #..# #..# .##.",
    "P": "###. #..# ###. #... #...",
    "R": "###. #..# ###. #.#. #..#",
    "S": ".### #... .##. ...# ###.",
    "T": "##### ..#.. ..#.. ..#.. ..#..",
    "V": "#...# #...# #...# .#.#. ..#..",
    "W": "#...# #...# #.#.# #.#.# .#.#.",
    "Y": "#...# .#.#. ..#.. ..#.. ..#..",
    " ": ".. .. .. .. ..",
}
_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def big_lines(words: str) -> list[str]:
    """The words as three lines of half blocks; raises KeyError on a letter it has not."""
    rows = [".".join(_LETTERS[letter].split()[row] for letter in words) for row in range(5)]
    rows.append("." * len(rows[0]))
    return [
        "".join(
            _BLOCKS[upper == "#", lower == "#"]
            for upper, lower in zip(rows[pair], rows[pair + 1], strict=True)
        )
        for pair in (0, 2, 4)
    ]
