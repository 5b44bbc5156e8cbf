"""The answer: plans as tables, their independent check, their comparison."""
