"""``python -m review_app FOLDER``: the review screens for one folder."""

import argparse
import sys


def main() -> int:
    """Parse, serve; 2 when the folder or the address cannot be used."""
    parser = argparse.ArgumentParser(
        prog="python -m review_app",
        description="Review flagged cells in a browser.",
        epilog="Example: python -m review_app surveys/2026 --port 8600",
    )
    parser.add_argument("folder", help="the folder that holds the survey's photographs and entries")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    parser.add_argument("--port", type=int, default=8501, help="port to listen on (default: 8501)")
    parser.add_argument(
        "--shared", action="store_true", help="people log in on this machine too (always so with another --host)"
    )
    parser.add_argument("--name", default="", help="name of a web server with TLS that passes everything on to here")
    args = parser.parse_args()
    from review_app.app import serve  # here, so that the processes that read photographs do not load the screens

    try:
        serve(args.folder, host=args.host, port=args.port, shared=args.shared, name=args.name)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
