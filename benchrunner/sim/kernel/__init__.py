"""Owns the compiled equations of the plant: one file per part, plain functions on float arrays.

Every kernel takes the arrays that `sim.layout` describes: `x` states, `p` parameters, `u` inputs, `e` energies.
"""
