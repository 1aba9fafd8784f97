"""Tables in and out: CSV import and export, scans over many runs."""

from daq.study.tables.export import export_numbers, export_samples
from daq.study.tables.log_import import Imported, import_into, import_log
from daq.study.tables.scan import RunScan, ScanResult, by_build, named_now, scan_document, scan_runs

__all__ = [
    "Imported",
    "RunScan",
    "ScanResult",
    "by_build",
    "export_numbers",
    "export_samples",
    "import_into",
    "import_log",
    "named_now",
    "scan_document",
    "scan_runs",
]
