"""Zones, network speakers in them, and the zones that page together."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0009_outbox"),
    ]

    operations = [
        migrations.CreateModel(
            name="PagingSet",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=80)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "paging_set",
            },
        ),
        migrations.CreateModel(
            name="Zone",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=120)),
                ("page_code", models.CharField(blank=True, max_length=20)),
                (
                    "groups",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=80), blank=True, default=list, size=None
                    ),
                ),
                ("priority", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "life_safety",
                    models.CharField(
                        choices=[("yes", "yes"), ("no", "no"), ("unknown", "unknown")],
                        default="unknown",
                        max_length=8,
                    ),
                ),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "zone",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="PagingSetZone",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "paging_set",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="members",
                        to="zones.pagingset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "zone",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="zones.zone",
                    ),
                ),
            ],
            options={
                "db_table": "paging_set_zone",
            },
        ),
        migrations.CreateModel(
            name="ZoneEndpoint",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "endpoint",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="zone_endpoints",
                        to="sites.endpoint",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "zone",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="zone_endpoints",
                        to="zones.zone",
                    ),
                ),
            ],
            options={
                "db_table": "zone_endpoint",
            },
        ),
        migrations.AddConstraint(
            model_name="pagingset",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="paging_set_of_site"),
        ),
        migrations.AddConstraint(
            model_name="pagingset",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="paging_set_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="zone",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="zone_of_site"),
        ),
        migrations.AddConstraint(
            model_name="zone",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="zone_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="pagingsetzone",
            constraint=models.UniqueConstraint(fields=("paging_set", "zone"), name="paging_set_zone_once"),
        ),
        migrations.AddConstraint(
            model_name="zoneendpoint",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("zone", "endpoint"),
                name="zone_endpoint_once",
            ),
        ),
    ]
