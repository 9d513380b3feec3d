"""Alembic's entry point: runs the scripts on the connection that the store hands over, in its transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=False)
context.run_migrations()
