"""What a photo says: the under-hood refrigerant label."""
