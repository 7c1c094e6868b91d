"""The Merkle tree over the ledger, hashed as RFC 9162 section 2.1 says.

A leaf is SHA-256(00 || entry's canonical text), a node SHA-256(01 || left || right). The tree
over n leaves splits at the largest power of two below n. Every node that a proof needs covers a
complete subtree or is folded from such nodes, so a store that keeps the complete ones, named by
level (0 = leaf) and index, answers any proof in O(log n) look-ups.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Self

HASH_BYTES = 32
EMPTY_ROOT = sha256(b"").digest()


@dataclass(frozen=True, slots=True)
class Node:
    """The hash over the complete subtree of leaves index * 2^level up to (index + 1) * 2^level."""

    level: int
    index: int
    hash: bytes


NodeAt = Callable[[int, int], bytes]
"""Gives the hash of a complete subtree by level and index."""


def leaf_hash(data: bytes) -> bytes:
    """Hash an entry's canonical text as a leaf."""
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash two subtrees into their parent."""
    return sha256(b"\x01" + left + right).digest()


class CompactRange:
    """The roots of the complete subtrees of a growing tree: all that appending needs.

    Holds one hash per set bit of its size, largest subtree first.
    """

    __slots__ = ("_peaks", "_size")

    def __init__(self, size: int = 0, peaks: Sequence[bytes] = ()) -> None:
        """Take up a tree of `size` leaves whose complete subtrees have these roots."""
        if size < 0 or len(peaks) != size.bit_count():
            raise ValueError(
                f"A tree of {size} leaves has {size.bit_count()} complete subtrees,"
                f" not {len(peaks)}."
            )
        if any(len(peak) != HASH_BYTES for peak in peaks):
            raise ValueError("Every subtree root has 32 bytes.")
        self._size = size
        self._peaks = list(peaks)

    @property
    def size(self) -> int:
        """Leaves so far."""
        return self._size

    def append(self, leaf: bytes) -> tuple[Node, ...]:
        """Add a leaf hash; return the nodes that it completes, the leaf first."""
        index, level, done = self._size, 0, leaf
        completed = [Node(0, index, leaf)]
        while index & 1:
            done = node_hash(self._peaks.pop(), done)
            index >>= 1
            level += 1
            completed.append(Node(level, index, done))
        self._peaks.append(done)
        self._size += 1
        return tuple(completed)

    def root(self) -> bytes:
        """Return the tree's root; of an empty tree the hash of nothing."""
        if not self._peaks:
            return EMPTY_ROOT
        root = self._peaks[-1]
        for peak in reversed(self._peaks[:-1]):
            root = node_hash(peak, root)
        return root

    def extend(self, leaves: Sequence[bytes]) -> None:
        """Add many leaf hashes, quicker than one by one."""
        peaks, at = self._peaks, self._size
        for leaf in leaves:
            index, done = at, leaf
            while index & 1:
                done = sha256(b"\x01" + peaks.pop() + done).digest()
                index >>= 1
            peaks.append(done)
            at += 1
        self._size = at

    def copy(self) -> Self:
        """Return a tree of the same leaves that grows by itself."""
        return type(self)(self._size, self._peaks)

    def serialise(self) -> str:
        """Return it as hex text: 16 digits of size, then 64 per subtree root."""
        return (self._size.to_bytes(8, "big") + b"".join(self._peaks)).hex()

    @classmethod
    def restore(cls, stored: str) -> Self:
        """Take up what `serialise` gave. Raises ValueError where the text is not of that form."""
        raw = bytes.fromhex(stored)
        if len(raw) % HASH_BYTES != 8:
            raise ValueError("A stored tree is 8 bytes of size and 32 for each subtree, in hex.")
        peaks = [raw[at : at + HASH_BYTES] for at in range(8, len(raw), HASH_BYTES)]
        return cls(int.from_bytes(raw[:8], "big"), peaks)


class MemoryTree:
    """All complete nodes of a tree, in memory; `node` is a `NodeAt`."""

    def __init__(self, leaves: Iterable[bytes] = ()) -> None:
        """Build it over leaf hashes."""
        self.range = CompactRange()
        self._levels: list[list[bytes]] = []
        for leaf in leaves:
            self.append(leaf)

    def append(self, leaf: bytes) -> None:
        """Add a leaf hash."""
        for node in self.range.append(leaf):
            if node.level == len(self._levels):
                self._levels.append([])
            self._levels[node.level].append(node.hash)

    def node(self, level: int, index: int) -> bytes:
        """Return a complete subtree's hash; IndexError where there is none."""
        return self._levels[level][index]

    def root(self) -> bytes:
        """Return the root over all leaves."""
        return self.range.root()


def root_at(size: int, node: NodeAt) -> bytes:
    """Return the root over the first `size` leaves."""
    return EMPTY_ROOT if size == 0 else _subtree(0, size, node)


def inclusion_proof(index: int, size: int, node: NodeAt) -> tuple[bytes, ...]:
    """Return the audit path of leaf `index` in the tree of `size` leaves (RFC 9162, 2.1.3.1)."""
    if not 0 <= index < size:
        raise ValueError(f"The tree has {size} leaves; there is no leaf {index} in it.")
    path: list[bytes] = []
    start, end = 0, size
    while end - start > 1:
        middle = start + _split(end - start)
        if index < middle:
            path.append(_subtree(middle, end, node))
            end = middle
        else:
            path.append(_subtree(start, middle, node))
            start = middle
    return tuple(reversed(path))


def consistency_proof(earlier: int, later: int, node: NodeAt) -> tuple[bytes, ...]:
    """Return the proof that the later tree only adds to the earlier one (RFC 9162, 2.1.4.1)."""
    if not 0 < earlier <= later:
        raise ValueError(
            f"A consistency proof runs from 1 or more leaves to at least as many,"
            f" not from {earlier} to {later}."
        )
    path: list[bytes] = []
    start, end, whole = 0, later, True
    while earlier != end:
        middle = start + _split(end - start)
        if earlier <= middle:
            path.append(_subtree(middle, end, node))
            end = middle
        else:
            path.append(_subtree(start, middle, node))
            start, whole = middle, False
    if not whole:
        path.append(_subtree(start, end, node))
    return tuple(reversed(path))


def verify_inclusion(
    leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes
) -> bool:
    """Say whether the path leads from the leaf to the root (RFC 9162, 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    at, last, reached = index, size - 1, leaf
    for sibling in path:
        if last == 0:
            return False
        if at & 1 or at == last:
            reached = node_hash(sibling, reached)
            while at and not at & 1:
                at >>= 1
                last >>= 1
        else:
            reached = node_hash(reached, sibling)
        at >>= 1
        last >>= 1
    return last == 0 and reached == root


def verify_consistency(
    earlier: int, later: int, path: Sequence[bytes], earlier_root: bytes, later_root: bytes
) -> bool:
    """Say whether the path proves that the later tree extends the earlier (RFC 9162, 2.1.4.2)."""
    if not 0 < earlier <= later:
        return False
    if earlier == later:
        return not path and earlier_root == later_root
    steps = list(path)
    if earlier & (earlier - 1) == 0:
        steps.insert(0, earlier_root)
    if not steps:
        return False
    at, last = earlier - 1, later - 1
    while at & 1:
        at >>= 1
        last >>= 1
    old = new = steps[0]
    for sibling in steps[1:]:
        if last == 0:
            return False
        if at & 1 or at == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            while at and not at & 1:
                at >>= 1
                last >>= 1
        else:
            new = node_hash(new, sibling)
        at >>= 1
        last >>= 1
    return last == 0 and old == earlier_root and new == later_root


def _split(size: int) -> int:
    return 1 << ((size - 1).bit_length() - 1)


def _subtree(start: int, end: int, node: NodeAt) -> bytes:
    size = end - start
    if size & (size - 1) == 0:
        level = size.bit_length() - 1
        return node(level, start >> level)
    middle = start + _split(size)
    return node_hash(_subtree(start, middle, node), _subtree(middle, end, node))


def nodes_needed(ask: Callable[[NodeAt], object]) -> frozenset[tuple[int, int]]:
    """Return the nodes, by level and index, that a proof looks up, without having any of them."""
    asked: set[tuple[int, int]] = set()

    def note(level: int, index: int) -> bytes:
        asked.add((level, index))
        return bytes(HASH_BYTES)

    ask(note)
    return frozenset(asked)


def read_once(
    leaves: Iterable[bytes], needed: frozenset[tuple[int, int]]
) -> tuple[dict[tuple[int, int], bytes], CompactRange]:
    """Read leaf hashes once; return the needed nodes and the tree, keeping nothing else."""
    found: dict[tuple[int, int], bytes] = {}
    peaks: list[bytes] = []
    size = 0
    for leaf in leaves:
        index, level, done = size, 0, leaf
        if (0, index) in needed:
            found[0, index] = leaf
        while index & 1:
            done = node_hash(peaks.pop(), done)
            index >>= 1
            level += 1
            if (level, index) in needed:
                found[level, index] = done
        peaks.append(done)
        size += 1
    return found, CompactRange(size, peaks)


def with_small_nodes(
    stored: NodeAt, leaves: Callable[[int, int], Sequence[bytes]], lowest: int
) -> NodeAt:
    """Complete a store that keeps only nodes from level `lowest` on.

    `leaves` gives the leaf hashes from one index to before another; smaller nodes are hashed
    anew from them.
    """

    def node(level: int, index: int) -> bytes:
        if level >= lowest:
            return stored(level, index)
        small = CompactRange()
        small.extend(leaves(index << level, (index + 1) << level))
        return small.root()

    return node
