"""Settings of the whole test suite."""

from __future__ import annotations

from threadpoolctl import threadpool_limits

# The matrices of the tests are small: threads would only wait for each other, and on a busy
# machine make the suite many times slower. The workflow's steps run on one thread as well.
threadpool_limits(1)
