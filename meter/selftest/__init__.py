"""The published checks that a user can run on their own machine: recipes, expected values, tolerances, sources.

One module per subject, each with a list ``CHECKS`` of ``meter.selftest.checks.Check``. The same lists drive
``tests/published``. Only ``dsp``, numpy and the standard library are imported here.
"""
