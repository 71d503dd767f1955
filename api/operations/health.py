"""`/healthz` and `/readyz`, for whatever restarts the service and sends requests to it. They tell nothing
else."""

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe


@never_cache
@require_safe
def healthz(_request: HttpRequest) -> JsonResponse:
    """The process answers. Nothing else is asked: a restart does not cure a database."""
    return JsonResponse({"status": "alive"})


@never_cache
@require_safe
def readyz(_request: HttpRequest) -> JsonResponse:
    """The database answers and has every migration that this code knows. A backlog of work is a metric, not a
    reason to send nobody here."""
    try:
        executor = MigrationExecutor(connection)
        pending = bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))
    except DatabaseError:
        return JsonResponse({"status": "no database"}, status=503)
    if pending:
        return JsonResponse({"status": "migrations pending"}, status=503)
    return JsonResponse({"status": "ready"})
