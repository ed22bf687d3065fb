"""The import must stay close to a bare read of the table."""

import numpy as np
from bench_import import measure, write_logs


def test_import_takes_at_most_three_times_a_bare_read(tmp_path):
    paths = write_logs(tmp_path, 100_000, np.random.default_rng(1))
    _, _, ratio = measure(*paths, repeats=5)
    assert ratio <= 3
