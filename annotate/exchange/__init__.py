"""The exchange with a label server: candidates go there as tasks with suggestions, people's answers come back as verdicts.

Start with `annotate.exchange.pushing` and `annotate.exchange.pulling`. `server` says what is asked of a label server and checks
every answer, `wire` guards the connection, `labelling` and `percentages` turn our words and pixels into those of a task and back.
Nothing here writes SQL: what was sent and taken stands in `annotate.logbook.exchange`.
"""
