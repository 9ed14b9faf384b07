"""Our own meters, one folder each, through the same door as anybody's."""
