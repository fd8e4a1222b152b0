"""What a first run says about compilation, and how code is compiled."""

import gc

import numpy as np

from glasswright_camera.compiled import Compilation, compiled, part


def test_compiling_is_announced_once_for_all_processes_of_a_machine(tmp_path, capfd):
    first, second = Compilation(tmp_path / "cache"), Compilation(tmp_path / "cache")
    for each in (first, first, second):
        each.on_start(None)
        each.on_end(None)
    assert capfd.readouterr().err == (
        "glasswright: compiling the measuring code, once for this version on this machine; it takes about a minute\n"
    )
    other = Compilation(tmp_path / "other")
    other.on_start(None)
    other.on_end(None)
    assert "once for this version" in capfd.readouterr().err


def test_garbage_is_collected_again_after_the_outermost_compilation(tmp_path):
    compilation = Compilation(tmp_path / "cache")
    assert gc.isenabled()
    for _ in range(2):
        compilation.on_start(None)
        assert not gc.isenabled()
    compilation.on_end(None)
    assert not gc.isenabled()
    compilation.on_end(None)
    assert gc.isenabled()


def test_parts_are_kept_with_the_code_that_calls_them():
    @part
    def double(values):
        return 2 * values

    @compiled
    def both(values):
        return double(values) + 1

    assert both(np.arange(3.0)).tolist() == [1, 3, 5]
    assert both.stats.cache_path
    assert double.stats.cache_path is None
