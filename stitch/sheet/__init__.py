"""Small tables that a person or a spreadsheet may edit: read whatever their hand, rewritten with all that is theirs."""
