"""Charts, numbers as text, the report of one charger and the book's index page."""

from brickbook.publish.charts import chart_png, chart_svg, vega_lite
from brickbook.publish.index import IndexEntry, IndexInput, render_index
from brickbook.publish.report import BookMeta, Method, RawEntry, ReportInput, render_report

__all__ = [
    "BookMeta",
    "IndexEntry",
    "IndexInput",
    "Method",
    "RawEntry",
    "ReportInput",
    "chart_png",
    "chart_svg",
    "render_index",
    "render_report",
    "vega_lite",
]
