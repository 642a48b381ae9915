"""The serial link, the service that records and publishes, the virtual rig's transport, the command line."""
