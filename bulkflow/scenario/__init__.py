"""The typed workspace, its reader and its checks.

Importing this package loads the model's library; command lines import it inside a command.
"""

from bulkflow.scenario.model import Scenario
from bulkflow.scenario.reader import Workspace, read_workspace
from bulkflow.scenario.sources import Place, SourceMap
from bulkflow.scenario.writer import dump_workspace

__all__ = ["Place", "Scenario", "SourceMap", "Workspace", "dump_workspace", "read_workspace"]
