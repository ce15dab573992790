"""The running performance: everything is started, looked after and ended here."""
