"""Fits of measurement protocols: arrays of basebands and marks in, results with sigmas out.

One file per kind of protocol. Nothing here knows a log, an engine or the
simulator; nothing here draws.
"""
