"""Pictures by our own rays, without a display: arrays in, arrays out."""
