"""`python -m tests.faults.busy`: keep one core busy until told to end."""


def main() -> None:
    """Count for ever."""
    n = 0
    while True:
        n += 1


if __name__ == "__main__":
    main()
