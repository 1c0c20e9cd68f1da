"""An invented farm in an invented town, lived day by day through the services, the way people would.

Nothing here writes a row: every person of the farm calls the service that a page would call, with the time of day
passed in.  What really grows is decided by :mod:`.truth`, which knows nothing of the farm's forecast.
"""
