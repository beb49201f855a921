"""Configuration of dewkeeper: models, loading, husbandry profiles and example racks."""

import dewkeeper_config.without_plugins  # noqa: F401  before anything imports pydantic
from dewkeeper_config.errors import ConfigError, ConfigInvalid, ConfigUnreadable, Problem, SecretUnavailable
from dewkeeper_config.last_good import load_or_last_good
from dewkeeper_config.loading import ReplayConfig, load, missing_secrets, problems_for_run
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import BUILT_IN, effective_limits, stage_limits

__all__ = [
    "BUILT_IN",
    "Config",
    "ConfigError",
    "ConfigInvalid",
    "ConfigUnreadable",
    "Problem",
    "ReplayConfig",
    "SecretUnavailable",
    "effective_limits",
    "load",
    "load_or_last_good",
    "missing_secrets",
    "problems_for_run",
    "stage_limits",
]
