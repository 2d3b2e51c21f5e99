"""The bare paper of a master: how light it is, place by place, and how it is lifted to white without touching paint."""
