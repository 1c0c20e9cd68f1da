"""Packing as it is read: ``lists`` for programs; ``overview``, ``picking`` and ``notes`` for pages and paper.

``standing`` says what is still to take of a row, for all of them.
"""

from __future__ import annotations

from fulfilment.read.packing.lists import LineView, ListView, PickedAmount, RowView, StopView, pick_list, pick_lists

__all__ = ["LineView", "ListView", "PickedAmount", "RowView", "StopView", "pick_list", "pick_lists"]
