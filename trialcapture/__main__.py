"""Run as ``python -m trialcapture``."""

from trialcapture.cli import main

if __name__ == "__main__":
    main()
