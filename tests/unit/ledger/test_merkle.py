"""The Merkle tree against RFC 9162 and its published vectors."""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.ledger.merkle import (
    CompactRange,
    MemoryTree,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    root_at,
    verify_consistency,
    verify_inclusion,
)

# Leaves and roots that certificate-transparency code publishes for RFC 6962 and RFC 9162
# (repository transparency-dev/merkle, Apache-2.0).
LEAVES = [
    bytes.fromhex(text)
    for text in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
# Proofs over the same leaves, worked out from the definitions in RFC 6962 2.1.1 and 2.1.2.
LEFT_OF_8 = [
    "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
    "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
    "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
]
INCLUSIONS = [
    (0, 8, LEFT_OF_8),
    (
        5,
        8,
        [
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        ],
    ),
    (2, 3, ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]),
]
CONSISTENCIES = [
    (1, 8, LEFT_OF_8),
    (
        6,
        8,
        [
            "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        ],
    ),
    (
        2,
        5,
        [
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        ],
    ),
    (8, 8, []),
]
SIZES = st.integers(1, 130)


def tree_of(size: int) -> MemoryTree:
    return MemoryTree(leaf_hash(str(number).encode()) for number in range(size))


def published_tree() -> MemoryTree:
    return MemoryTree(map(leaf_hash, LEAVES))


def defined_root(data: list[bytes]) -> bytes:
    """RFC 9162 section 2.1.1, read out word for word."""
    if not data:
        return sha256(b"").digest()
    if len(data) == 1:
        return sha256(b"\x00" + data[0]).digest()
    split = 1
    while split * 2 < len(data):
        split *= 2
    return sha256(b"\x01" + defined_root(data[:split]) + defined_root(data[split:])).digest()


@pytest.mark.parametrize("size", range(9))
def test_published_leaves_give_the_published_roots(size: int) -> None:
    """The roots over the first n published leaves, n from 0 to 8."""
    grown = CompactRange()
    for leaf in LEAVES[:size]:
        grown.append(leaf_hash(leaf))
    assert ROOTS[size] == grown.root().hex()
    assert ROOTS[size] == root_at(size, published_tree().node).hex()


@pytest.mark.parametrize(("index", "size", "path"), INCLUSIONS)
def test_published_leaf_has_the_published_path(index: int, size: int, path: list[str]) -> None:
    """Inclusion proofs over the published leaves."""
    found = inclusion_proof(index, size, published_tree().node)
    assert path == [step.hex() for step in found]
    root = bytes.fromhex(ROOTS[size])
    assert verify_inclusion(leaf_hash(LEAVES[index]), index, size, found, root)


@pytest.mark.parametrize(("earlier", "later", "path"), CONSISTENCIES)
def test_published_sizes_have_the_published_consistency(
    earlier: int, later: int, path: list[str]
) -> None:
    """Consistency proofs over the published leaves."""
    found = consistency_proof(earlier, later, published_tree().node)
    assert path == [step.hex() for step in found]
    roots = bytes.fromhex(ROOTS[earlier]), bytes.fromhex(ROOTS[later])
    assert verify_consistency(earlier, later, found, *roots)


@given(st.integers(0, 130))
def test_every_size_has_the_root_of_the_definition(size: int) -> None:
    """Growing leaf by leaf, in bulk and folding stored nodes all give the defined root."""
    data = [str(number).encode() for number in range(size)]
    bulk = CompactRange()
    bulk.extend([leaf_hash(one) for one in data])
    assert defined_root(data) == tree_of(size).root() == bulk.root()
    assert defined_root(data) == root_at(size, tree_of(size).node)


@given(SIZES, st.data())
def test_every_leaf_is_proved_and_no_other(size: int, data: st.DataObject) -> None:
    """A path proves its own leaf at its own place, and nothing else."""
    index = data.draw(st.integers(0, size - 1))
    tree = tree_of(size)
    leaf = leaf_hash(str(index).encode())
    path = inclusion_proof(index, size, tree.node)
    assert verify_inclusion(leaf, index, size, path, tree.root())
    assert not verify_inclusion(leaf_hash(b"other"), index, size, path, tree.root())
    assert not verify_inclusion(leaf, index, size, path, leaf_hash(b"other"))
    assert not verify_inclusion(leaf, index, size, (*path, leaf), tree.root())
    if path:
        assert not verify_inclusion(leaf, index, size, path[:-1], tree.root())
    other = data.draw(st.integers(-1, size))
    if other != index:
        assert not verify_inclusion(leaf, other, size, path, tree.root())


@given(SIZES, st.data())
def test_every_growth_is_proved_and_no_rewriting(later: int, data: st.DataObject) -> None:
    """A consistency proof holds for the tree that grew and for no other earlier root."""
    earlier = data.draw(st.integers(1, later))
    tree = tree_of(later)
    old = root_at(earlier, tree.node)
    path = consistency_proof(earlier, later, tree.node)
    assert verify_consistency(earlier, later, path, old, tree.root())
    forged = leaf_hash(b"forged")
    assert not verify_consistency(earlier, later, path, forged, tree.root())
    assert not verify_consistency(earlier, later, path, old, forged)
    assert not verify_consistency(earlier, later, (*path, forged), old, tree.root())
    if path:
        assert not verify_consistency(earlier, later, path[:-1], old, tree.root())


@given(st.integers(0, 300), st.integers(0, 40))
def test_stored_tree_goes_on_where_it_stopped(before: int, after: int) -> None:
    """A restart changes nothing: a tree taken up from its text grows to the same root."""
    stored = tree_of(before).range.serialise()
    grown = CompactRange.restore(stored)
    assert before == grown.size
    for number in range(before, before + after):
        grown.append(leaf_hash(str(number).encode()))
    assert tree_of(before + after).root() == grown.root()


def test_copied_tree_grows_by_itself() -> None:
    """Appending to a copy leaves the original alone, so that a rolled-back append is nothing."""
    original = tree_of(5).range
    before = original.root()
    original.copy().append(leaf_hash(b"more"))
    assert before == original.root()


@pytest.mark.parametrize("stored", ["", "00", "zz", "0000000000000003" + "00" * 32, "00" * 39])
def test_damaged_stored_tree_is_refused(stored: str) -> None:
    """A tree whose text does not add up is never taken up in silence."""
    with pytest.raises(ValueError, match=r"."):
        CompactRange.restore(stored)


def test_proof_outside_the_tree_is_refused() -> None:
    """There is no proof for a leaf or a size that the tree does not have."""
    node = tree_of(4).node
    with pytest.raises(ValueError, match="no leaf 4"):
        inclusion_proof(4, 4, node)
    with pytest.raises(ValueError, match="from 5 to 4"):
        consistency_proof(5, 4, node)
    with pytest.raises(ValueError, match="from 0 to 4"):
        consistency_proof(0, 4, node)
