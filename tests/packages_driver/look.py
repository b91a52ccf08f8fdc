"""Looks at what tiltworth packs with general libraries: python look.py eln FOLDER | python look.py cif FILE

FOLDER is an unpacked archive's crate. Prints one JSON object of facts; the test judges them.
"""

import json
import sys


def eln(folder):
    from rocrate.rocrate import ROCrate

    crate = ROCrate(folder)
    root = crate.root_dataset
    facts = {"name": root["name"], "license": root["license"], "published": str(root["datePublished"]), "files": [],
             "datasets": [], "variables": {}}
    for entity in crate.data_entities:
        kind = entity.type if isinstance(entity.type, list) else [entity.type]
        facts["files" if "File" in kind else "datasets"].append(entity.id)
    facts["root_parts"] = [part.id for part in root["hasPart"]]
    for entity in crate.get_entities():
        if entity.type == "PropertyValue":
            facts["variables"][entity["propertyID"]] = entity["value"]
    for dataset in facts["datasets"]:
        facts["parts of " + dataset] = [part.id for part in crate.get(dataset)["hasPart"]]
    return facts


def cif(file):
    from gemmi import cif

    block = cif.read(file).sole_block()
    return {"name": block.name, "items": {item.pair[0]: cif.as_string(item.pair[1]) for item in block if item.pair}}


print(json.dumps({"eln": eln, "cif": cif}[sys.argv[1]](sys.argv[2])))
