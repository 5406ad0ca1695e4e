"""Reads a drawing with ezdxf, audits it, and says what is on its layers.

Argument: the DXF file. Prints one JSON object: the errors of the audit, and of every layer its entities with their places.
"""

import json
import sys

import ezdxf
from ezdxf.lldxf.encoding import decode_dxf_unicode

drawing = ezdxf.readfile(sys.argv[1])
audit = drawing.audit()
layers = {layer.dxf.name: {"colour": layer.color, "entities": []} for layer in drawing.layers}
for entity in drawing.modelspace():
    kind = entity.dxftype()
    if kind == "LINE":
        places = [entity.dxf.start, entity.dxf.end]
    elif kind == "POLYLINE":
        places = list(entity.points())
    elif kind == "TEXT":
        places = [entity.dxf.insert]
    elif kind == "POINT":
        places = [entity.dxf.location]
    else:
        raise SystemExit(f"{kind} is not expected")
    text = decode_dxf_unicode(entity.dxf.text) if kind == "TEXT" else None
    layers[entity.dxf.layer]["entities"].append({"kind": kind, "at": [[place[0], place[1]] for place in places], "text": text})
print(json.dumps({"version": drawing.dxfversion, "errors": [str(error) for error in audit.errors], "fixes": len(audit.fixes), "layers": layers}))
