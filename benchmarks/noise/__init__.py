"""Random findings of every rule beside pictures, to be read by a person."""
