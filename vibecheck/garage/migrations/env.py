"""Run the steps on the connection that `vibecheck.garage.upgrade` opened, in its transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], render_as_batch=True)
context.run_migrations()
