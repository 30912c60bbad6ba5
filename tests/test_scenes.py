"""Which photos show the same plants, so that none is both learnt from and measured on."""

from counting.training.scenes import read_split


def test_no_scene_or_tree_lies_in_two_folds():
    table = read_split()
    folds: dict[tuple[str, str], set[int]] = {}
    for name, row in table.items():
        kind = "apple" if name.startswith("apple") else name.split("/")[0]
        folds.setdefault((kind, row["scene"]), set()).add(row["fold"])
    assert len(table) == 1811
    assert all(len(f) == 1 for f in folds.values())
    assert {f for s in folds.values() for f in s} == {0, 1, 2}
