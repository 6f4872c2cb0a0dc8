"""From folders to evenings."""
