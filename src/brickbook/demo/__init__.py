"""The example book: invented chargers with physics behind them, raw files with instrument errors, never figures."""

from brickbook.demo.build import deposit, example_title, make_book
from brickbook.demo.campaign import RawDeposit, campaign
from brickbook.demo.scenario import CHARGERS, Example
from brickbook.demo.shelf import SHELF

__all__ = ["CHARGERS", "SHELF", "Example", "RawDeposit", "campaign", "deposit", "example_title", "make_book"]
