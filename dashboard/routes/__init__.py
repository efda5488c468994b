"""The routes: one module for each subject, JSON under /api/v1 and pages beside it."""
