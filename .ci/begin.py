"""Set up a virtual environment beside the code, then open the dashboard or run the tests.

    python3 .ci/begin.py open     the dashboard on the demo season (more words go to `blackmouth`)
    python3 .ci/begin.py test     lint, formatting, types and every test (more words go to pytest)
    python3 .ci/begin.py quick    types and the tests of a few minutes
    python3 .ci/begin.py release  sdist and wheel, and the wheel tried alone on each Python

Needs Python 3.11 or later and nothing else; uses the standard library only.
"""

import sys

import pythons

if __name__ == "__main__":
    if sys.version_info < pythons.OLDEST:
        sys.stderr.write(pythons.too_old(sys.argv[1:]) + "\n")
        sys.exit(2)
    import steps

    sys.exit(steps.main(sys.argv[1:], usage=__doc__))
