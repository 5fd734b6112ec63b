from hoodnote.cli.main import entry

entry()
