"""The steps of a session: settings and inputs in, one frozen result out."""
