"""The finder measured against published labelled photos; beside the flow."""
