"""Forms: what an act asks for and how the answers become an act. No screen library here."""
