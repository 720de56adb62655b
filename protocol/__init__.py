"""What crosses a wire: text commands and driver-link messages, with no I/O and nothing imported from elsewhere here."""
