"""The known taxa, and along how many axes they vary."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.membership.placing import KnownTaxa


def test_no_more_than_ten_axes_unless_more_are_asked_for(rng):
    """Fifteen variables that vary alike: no few axes hold nearly all of it."""
    Y = rng.normal(size=(300, 15))
    known = KnownTaxa(Y, np.repeat(["coast", "marsh"], 150))
    count, share = known.number_of_axes(share=0.999)
    assert count == 10
    assert share == pytest.approx(10 / 15, abs=0.08)
    assert known.number_of_axes(share=0.999, most=12)[0] == 12
