"""The bench page: what a tablet by the press shows, served by the computer that holds the serial line."""
