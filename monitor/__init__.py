"""cushionwatch: the state of the air cushion in a closed water-heating system, over MQTT."""
