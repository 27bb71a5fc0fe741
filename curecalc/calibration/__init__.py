"""Resin lots from coupons: lines, intervals, diagnoses, comparison of lots, plans of coupons."""
