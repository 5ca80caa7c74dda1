"""Starts the kernel of a strict run: ``python -P -m coldchain_kit.base.kernel -f CONNECTION_FILE``.

jsonschema imports ``rfc3987_syntax`` only to check internationalised addresses, which no chart has; building
its grammar costs about a second at each start. None in ``sys.modules`` makes that import fail, which jsonschema expects.
"""

import sys

if __name__ == "__main__":
    sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]
    from ipykernel.kernelapp import launch_new_instance

    launch_new_instance()
