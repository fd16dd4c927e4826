"""The command line: one command per step of the job, thin over the stages."""


def main() -> None:
    """Run the command line."""
    raise SystemExit(2)
