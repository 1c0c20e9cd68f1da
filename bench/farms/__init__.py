"""Invented farms that live a year by a nature of their own, to see how the forecast would have done on them."""
