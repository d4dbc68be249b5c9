"""Loudspeaker physics in plain functions: arrays in, arrays out, SI units, exp(+jωt)."""
