"""The files of a job: machine, needs, resin lot and beam, each read, checked, written and documented from one declaration."""
