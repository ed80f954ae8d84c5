"""How well the job is done: every figure here is worked out from what is kept by vehicle and month, and knows no database."""
