"""Level with VU or peak programme movement against a chosen alignment."""
