"""The interactive window: a core that knows no Qt, and a thin layer of Qt over it."""
