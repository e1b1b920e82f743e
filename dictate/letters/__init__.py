"""Letters: the referral and the patient's report, drafted from a settled record."""
