"""Base: what every room stands on. Errors, files, tables and TOML that people fill in, zones, the one hash chain.

KitError       something a person gave the kit is at fault: what, where, how to mend it
Fault          one such fault
RegisterError  the fault lies in site.toml, case.toml or a table beside them
LayoutError    in a download
NotebookError  in a notebook or its run
RecordError    in a record
nearest        the nearest right word to a wrong one
chain          one hash chain and its lock: entries, ledger, signatures
sha256         SHA-256 of bytes or of a text
files          files written whole or not at all
package_files  notebooks and sample site that come with the kit
sheet          small CSV files that people fill in
toml           TOML files that people fill in, every fault at once with its line
zones          local time and UTC by the tzdata package
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
