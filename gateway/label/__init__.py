"""Labels: made from templates, and what supplied ones say."""

from gateway.label import gs1
from gateway.label.errors import (
    DataRefused,
    LabelError,
    SymbolTooLarge,
    TemplateFault,
    TextRefused,
)
from gateway.label.fields import (
    Fields,
    item_fields,
    order_fields,
    parcel_fields,
    warning_type_pt,
)
from gateway.label.gs1 import sscc
from gateway.label.make import MadeLabel, make, picture
from gateway.label.template import Template, builtin_names, builtin_template, load_template

__all__ = [
    "DataRefused",
    "Fields",
    "LabelError",
    "MadeLabel",
    "SymbolTooLarge",
    "Template",
    "TemplateFault",
    "TextRefused",
    "builtin_names",
    "builtin_template",
    "gs1",
    "item_fields",
    "load_template",
    "make",
    "order_fields",
    "parcel_fields",
    "picture",
    "sscc",
    "warning_type_pt",
]
