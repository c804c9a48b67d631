"""The command line. Each module holds some commands; layergate.cli.main loads them when they are called."""
