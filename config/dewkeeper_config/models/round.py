"""The round: how often what is due."""

from __future__ import annotations

from dewkeeper_config.models.base import Field, Model


class Round(Model):
    """How often what is due. The numbers are common practice, no source: set your own."""

    bowl_days: int = Field(default=3, ge=1, le=60, description="Days between two refills of a bowl.")
    spot_clean_days: int = Field(
        default=7, ge=1, le=90, description="Days between two looks for waste; what is seen goes at once."
    )
    deep_clean_days: int = Field(default=30, ge=1, le=366, description="Days between two deep cleans of a tub.")
    deep_clean_furnished_days: int = Field(
        default=180,
        ge=1,
        le=1500,
        description="Days between two deep cleans of a furnished enclosure, planted ones too.",
    )
    lever_days: int = Field(default=14, ge=1, le=90, description="Days after a change until it is looked at again.")
    hatch_first_days: int = Field(
        default=53, ge=20, le=120, description="Days after eggs were set up from which they may hatch."
    )
    hatch_last_days: int = Field(default=65, ge=20, le=150, description="Days after which they usually have hatched.")
