"""The service: intake, fit, label, dispatch, verification, ledger, console and planner."""
