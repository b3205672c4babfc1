"""Which children are worked through together, fixed by their codes alone.

Some statistics (models above all) come out a last digit apart when other series are fitted beside
them. So the company each child is fitted in follows from the codes of the children and their number,
never from how rows lie in files: that makes results equal to the last bit however a caseload is cut
into parts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

# Children fitted together, about: enough to share the cost of a call, few enough for the cache.
TOGETHER = 128

_WORD = 8
LONGEST = 64
_MIX_1, _MIX_2 = np.uint64(0xFF51AFD7ED558CCD), np.uint64(0xC4CEB9FE1A85EC53)
_HALF = np.uint64(33)
_ONES = np.uint64(0x0101010101010101)
_SEVEN, _EIGHTH = _ONES * np.uint64(0x7F), _ONES * np.uint64(0x80)
_ABOVE_BLANK = _ONES * np.uint64(0x80 - 33)
_FROM_A, _BEYOND_Z = _ONES * np.uint64(0x80 - ord("A")), _ONES * np.uint64(0x80 - ord("Z") - 1)
_USED = np.array([2 ** (8 * count) - 1 for count in range(9)], dtype=np.uint64)


def hashed(codes: Sequence[str]) -> np.ndarray:
    """Give a number of 64 bits for each code, the same whatever its case.

    Examples
    --------
    >>> low, high = hashed(["c014", "C014"])
    >>> bool(low == high), bool(low == hashed(["C015"])[0])
    (True, False)
    """
    raw = [code.casefold().encode() for code in codes]
    width = max([_WORD, *map(len, raw)])
    table = np.array(raw, dtype=f"S{width}")
    lengths = np.fromiter(map(len, raw), np.int64, len(raw))
    return hashed_bytes(table.view(np.uint8).reshape(len(raw), width), lengths)


def hashed_bytes(letters: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Do the same for codes in lower case as rows of bytes, filled up with zeros."""
    rows, width = letters.shape
    width = min(width, LONGEST)
    words = -(-width // _WORD)
    padded = np.zeros((rows, words * _WORD), dtype=np.uint8)
    padded[:, :width] = letters[:, :width]
    return _hashed_words(padded.view("<u8").astype(np.uint64).T, lengths)


def hashed_letters(
    letters: np.ndarray, begins: np.ndarray, lengths: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Do the same for codes that stand one after another, whatever their case.

    Parameters
    ----------
    letters : ndarray of uint8
        All codes, with at least `LONGEST` bytes more at the end.
    begins, lengths : ndarray of int64
        Where each code begins, and its bytes.

    Returns
    -------
    ndarray of uint64
        Numbers as `hashed` gives them.
    ndarray of bool
        Codes with blanks or anything beyond ASCII, whose number is to be had from `hashed`.
    """
    longest, shortest = int(lengths.max(initial=0)), int(lengths.min(initial=0))
    every = np.ndarray((len(letters) - _WORD + 1,), "<u8", letters, 0, (1,))
    words = []
    odd = np.zeros(len(begins), dtype=bool)
    for at in range(0, max(min(longest, LONGEST), 1), _WORD):
        if longest == shortest:
            # Codes of one length lie evenly apart.
            used = _USED[min(max(longest - at, 0), _WORD)]
            word = every[begins[0] + at :: max(longest, 1)][: len(begins)] & used
        else:
            used = _USED[np.clip(lengths - at, 0, _WORD)]
            word = every[begins + at] & used
        # Each byte's highest bit tells whether the byte is above 32, or is 127 or more.
        low = ~((word & _SEVEN) + _ABOVE_BLANK) & _EIGHTH & used
        high = (((word & _SEVEN) + _ONES) | word) & _EIGHTH
        odd |= (low | high) != 0
        capital = (word + _FROM_A) & ~(word + _BEYOND_Z) & _EIGHTH
        words.append(word | (capital >> np.uint64(2)))
    odd |= lengths > LONGEST
    return _hashed_words(words, lengths), odd


def _hashed_words(words: Iterable[np.ndarray], lengths: np.ndarray) -> np.ndarray:
    mixed = _mixed(lengths.astype(np.uint64))
    # Words of zeros add nothing, so that the width of the table does not matter.
    for word in words:
        mixed = np.where(word != 0, _mixed(mixed ^ word), mixed)
    return mixed


def _mixed(numbers: np.ndarray) -> np.ndarray:
    numbers = (numbers ^ (numbers >> _HALF)) * _MIX_1
    numbers = (numbers ^ (numbers >> _HALF)) * _MIX_2
    return numbers ^ (numbers >> _HALF)


def prefix(hashes: np.ndarray, bits: int) -> np.ndarray:
    """Give the first bits of hashes as whole numbers.

    Examples
    --------
    >>> prefix(np.array([2**63, 1], dtype=np.uint64), 1).tolist()
    [1, 0]
    """
    if bits == 0:
        return np.zeros(len(hashes), dtype=np.int64)
    return (hashes >> np.uint64(64 - bits)).astype(np.int64)


def block_bits(children: int) -> int:
    """Give the number of bits of the hash that tell blocks apart, for a number of children.

    Examples
    --------
    >>> block_bits(100), block_bits(1_000_000)
    (0, 13)
    """
    return max(0, int(np.ceil(np.log2(max(children, 1) / TOGETHER))))


def blocks(children: Sequence[str], bits: int) -> Iterator[np.ndarray]:
    """Give the places of the children of each block, in the order given.

    Parameters
    ----------
    children : sequence of str
        A child's code for every series.
    bits : int
        From `block_bits` of all children there are, not only these.
    """
    if not len(children):
        return
    block = prefix(hashed(children), bits)
    order = np.argsort(block, kind="stable")
    yield from np.split(order, np.flatnonzero(np.diff(block[order])) + 1)
