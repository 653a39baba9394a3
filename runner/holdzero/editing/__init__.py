"""Help for authors of routines: JSON Schema by which an editor completes, explains and refuses; tables of keys.

Made from the models of the core and of the plugins that are loaded; knows no run and no file.
"""

from holdzero.editing.documents import fragment_schema, routine_schema, shop_schema
from holdzero.editing.tables import plugin_tables

__all__ = ["fragment_schema", "plugin_tables", "routine_schema", "shop_schema"]
