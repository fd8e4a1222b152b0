"""The message of a first run about compilation."""

from glasswright_camera.compiled import Announcement


def test_compiling_is_announced_once_for_all_processes_of_a_machine(tmp_path, capfd):
    first, second = Announcement(tmp_path / "cache"), Announcement(tmp_path / "cache")
    for each in (first, first, second):
        each.on_start(None)
    assert capfd.readouterr().err == (
        "glasswright: compiling the measuring code, once for this version on this machine; it takes about a minute\n"
    )
    Announcement(tmp_path / "other").on_start(None)
    assert "once for this version" in capfd.readouterr().err
