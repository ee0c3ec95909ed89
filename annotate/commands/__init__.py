"""The commands of `lipmark`, one module each with EXAMPLES, add_arguments() and run().

`annotate.command_line` names them and imports only the one that is asked for. A command of two words,
`audit report`, is the module `audit_report`. Beside them, for all: `arguments` (words become values), `parser`
(an error is one line), `spelling` (which command is meant), `logbook` (what `log list`, `log show` ... share).
"""
