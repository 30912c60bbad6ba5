"""The contact sheet from a small server of one's own: each answer is in the ledger at once."""

from counting.review.live.app import app
from counting.review.live.batch import LARGEST_SAVE
from counting.review.live.place import Place, address, local_address, token
from counting.review.live.serve import serve

__all__ = ["LARGEST_SAVE", "Place", "address", "app", "local_address", "serve", "token"]
