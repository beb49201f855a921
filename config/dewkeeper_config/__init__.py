"""Configuration of dewkeeper: models, loading, husbandry profiles and example racks."""
