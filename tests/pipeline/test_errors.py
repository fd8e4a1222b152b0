"""The exit codes of errors, by the README's table."""

import importlib
import pkgutil

import glasswright
from glasswright.errors import GlasswrightError

WRONG_INPUT = 2
OTHER_CODES = {
    "LedgerBusyError": 20,
    "HeadDamagedError": 21,
    "LedgerDamagedError": 21,
    "RecordMismatchError": 21,
    # the program, its installation or the machine failed
    "DiskFullError": 1,
    "EncodingError": 1,
    "KeptTypeError": 1,
    "MissingFontError": 1,
    "NotInstalledError": 1,
    "WorkersError": 1,
}


def test_a_wrong_command_or_file_never_ends_like_a_failure_of_the_program():
    for module in pkgutil.walk_packages(glasswright.__path__, "glasswright."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    found, left = {}, [GlasswrightError]
    while left:
        for each in left.pop().__subclasses__():
            left.append(each)
            if each.__module__.startswith("glasswright."):
                found[each.__name__] = each.exit_code
    assert len(found) > 25
    assert {name: code for name, code in found.items() if code != WRONG_INPUT} == OTHER_CODES
