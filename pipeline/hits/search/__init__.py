"""Passes over a recording, in this order: first pass, matched filter (faint strikes), second pass, template onset,
rebounds.

`first_pass` finds candidates; `faint_strikes` adds those that a filter (`matched_filter`) with a template from noisy
strikes (`template_in_noise`) finds; `second_pass` gathers evidence on all; `template_onset` places those that were kept
and `rebounds` adds what bounced.
"""
