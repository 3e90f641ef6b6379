"""The folder of compiled kernels: that of another state of the sources goes when a new one is about to be written."""

from analysis.schedule.compiled import compiled, forget_others


def test_a_new_folder_of_kernels_takes_the_place_of_old_ones_and_of_nothing_else(tmp_path):
    old, own = tmp_path / f"kernels-{'a' * 16}", tmp_path / f"kernels-{'b' * 16}"
    others = [tmp_path / "kernels-of-mine", tmp_path / "plots"]
    for folder in (old, *others):
        (folder / "within").mkdir(parents=True)
    forget_others(own)
    assert not old.exists()
    assert all((folder / "within").exists() for folder in others)


def test_folders_stay_while_the_own_one_is_there(tmp_path):
    old, own = tmp_path / f"kernels-{'a' * 16}", tmp_path / f"kernels-{'b' * 16}"
    old.mkdir()
    own.mkdir()
    forget_others(own)
    assert old.exists()


def test_a_function_is_compiled_once_for_all_constants_that_it_is_called_with():
    def inner(one, other, flag):
        return one + other if flag else one - other

    counted = compiled(inner)

    def outer(value):
        return counted(value, 1, True) + counted(value, 2, False) + counted(value, value, value > 0)

    assert compiled(outer)(5) == 6 + 3 + 10
    assert len(counted.signatures) == 1
