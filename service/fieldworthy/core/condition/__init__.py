"""The condition language: preconditions over facts, and rules over working conditions."""
