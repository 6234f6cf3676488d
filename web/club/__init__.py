"""A club's page: many aircraft, from the broker alone, and nothing to press."""
