"""Configuration of dewkeeper: models, loading, husbandry profiles and example racks.

Importing this loads no pydantic; `loading` and `last_good`, which read files, do.
"""

from dewkeeper_config.errors import ConfigError, ConfigInvalid, ConfigUnreadable, Problem, SecretUnavailable
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import BUILT_IN, effective_limits, stage_limits

__all__ = [
    "BUILT_IN",
    "Config",
    "ConfigError",
    "ConfigInvalid",
    "ConfigUnreadable",
    "Problem",
    "SecretUnavailable",
    "effective_limits",
    "stage_limits",
]
