"""Pure rules of measuring: order sizes, findings, and doubts about readings. No Django here."""
