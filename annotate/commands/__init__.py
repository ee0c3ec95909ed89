"""The commands of `lipmark`, one module each with EXAMPLES, add_arguments() and run().

`annotate.command_line` names them and imports only the one that is asked for. A command of two words,
`audit report`, is the module `audit_report`. `arguments` turns words of the command line into values.
"""
