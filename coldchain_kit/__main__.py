"""``python -m coldchain_kit`` is the ``coldchain`` command."""

from coldchain_kit.cli import main

raise SystemExit(main())
