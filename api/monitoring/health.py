"""`/healthz` and `/readyz`, for supervisors and load balancers."""

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe


@never_cache
@require_safe
def healthz(_request: HttpRequest) -> JsonResponse:
    """200 while the process answers. It does not ask the database: a restart does not repair that."""
    return JsonResponse({"status": "alive"})


@never_cache
@require_safe
def readyz(_request: HttpRequest) -> JsonResponse:
    """200 when the database answers and has every migration of this code. A backlog of work does not matter
    here."""
    try:
        executor = MigrationExecutor(connection)
        pending = bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))
    except DatabaseError:
        return JsonResponse({"status": "no database"}, status=503)
    if pending:
        return JsonResponse({"status": "migrations pending"}, status=503)
    return JsonResponse({"status": "ready"})
