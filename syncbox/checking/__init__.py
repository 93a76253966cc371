"""Everything that can be wrong with a show, found before anyone plugs in."""
