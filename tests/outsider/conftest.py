"""A whole daemon on simulated probes, as in tests/daemon."""

from tests.daemon.conftest import phone as phone
from tests.daemon.conftest import racks as racks
