"""Parts that no command uses are loaded when somebody asks something of them, and then are what they always were."""

import os
import subprocess
import sys

CODE = """
import sys
from metakit.cli.support.unused_parts import UNUSED, leave_unused_parts
leave_unused_parts()
leave_unused_parts()
import scipy.special
inside = {name for name in sys.modules if name.startswith(tuple(f"{part}." for part in UNUSED))}
assert not inside, inside
import numpy.testing
numpy.testing.assert_allclose([1.0], [1.0])
from numpy.f2py import crackfortran
assert "numpy.testing._private.utils" in sys.modules
assert numpy.ctypeslib.ndpointer and crackfortran
print(len(sys.meta_path))
"""


def test_unused_parts_are_loaded_when_they_are_asked_something() -> None:
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    plain = subprocess.run(
        [sys.executable, "-c", "import sys; print(len(sys.meta_path))"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert int(done.stdout) == int(plain.stdout) + 1  # told twice, placed once


def test_a_pool_leaves_them(tmp_path) -> None:
    table = tmp_path / "table.csv"
    table.write_text("study,events_1,total_1,events_2,total_2\nA,4,29,6,30\nB,3,41,9,40\nC,1,22,2,24\n")
    code = (
        "import sys\n"
        f"sys.argv = ['metakit', 'pool', {str(table)!r}, '--measure', 'risk_ratio']\n"
        "from metakit.__main__ import main\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "import os\n"
        "assert os.environ['OPENBLAS_NUM_THREADS'] == '1'\n"
        "print('loaded', *sys.modules)\n"
    )
    around = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=around
    )
    loaded = set(done.stdout.rpartition("loaded ")[2].split())
    assert "scipy.special" in loaded
    assert not loaded & {"numpy.f2py.crackfortran", "numpy.testing._private.utils", "unittest"}
