"""Drawing: what screens show, as styled text made from a scene. No widgets here."""
