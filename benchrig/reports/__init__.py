"""From a record to paper and screen: page, label, terminal. Pure functions of the record; no clock, no database."""

from benchrig.reports.label import label_html, label_path, write_label
from benchrig.reports.page import page_html, page_path, write_page

__all__ = ["label_html", "label_path", "page_html", "page_path", "write_label", "write_page"]
