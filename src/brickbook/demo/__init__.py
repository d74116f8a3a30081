"""The example book: invented chargers with physics behind them, raw files with instrument errors, never figures."""

from brickbook.demo.build import deposit, example_title, make_book
from brickbook.demo.campaign import RawDeposit, campaign
from brickbook.demo.scenario import CHARGERS, Example

__all__ = ["CHARGERS", "Example", "RawDeposit", "campaign", "deposit", "example_title", "make_book"]
