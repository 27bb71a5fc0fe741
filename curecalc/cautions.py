"""The short cautions that end every sheet, page and lesson. Local rules and qualified people come first."""

__all__ = ["BEAM_CAUTION", "CAUTIONS", "RESIN_CAUTION", "SHORT_CAUTION"]

START_CAUTION = "Calculated settings are a starting point: prove them on coupons before parts."
BEAM_CAUTION = (
    "The UV laser may be class 4 (IEC 60825-1: above 0.5 W): only trained staff, interlocks closed, the right eyewear, "
    "when measuring power or spot."
)
RESIN_CAUTION = "Uncured resin can sensitise skin and harm eyes and water: gloves, ventilation, the safety data sheet."
RULES_CAUTION = "Follow the machine maker's instructions, the site's laser safety officer and local rules; they come before this tool."
USE_CAUTION = "Structural, medical and dental use needs the qualification that its own standards ask."

CAUTIONS = (START_CAUTION, BEAM_CAUTION, RESIN_CAUTION, RULES_CAUTION, USE_CAUTION)
SHORT_CAUTION = (
    "A starting point: prove it on coupons. UV laser, maybe class 4, and sensitising resin: trained staff, eyewear, gloves; "
    "the maker's instructions and local rules come first."
)
