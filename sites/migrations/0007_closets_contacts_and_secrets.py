"""Closets, the people to call, and the codes that open doors."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0006_catalogue"),
    ]

    operations = [
        migrations.CreateModel(
            name="Closet",
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
                    "name",
                    models.CharField(help_text="The designation on its door or drawing.", max_length=80),
                ),
                ("building", models.CharField(blank=True, max_length=120)),
                ("floor", models.CharField(blank=True, max_length=60)),
                ("room", models.CharField(blank=True, max_length=120)),
                ("directions", models.TextField(blank=True)),
                ("opened_by", models.TextField(blank=True, help_text="Who opens it, and when.")),
                ("opening_hours", models.CharField(blank=True, max_length=120)),
                (
                    "key_location",
                    models.CharField(blank=True, help_text="Where the key is, never a code.", max_length=200),
                ),
                ("escort", models.TextField(blank=True)),
                ("induction", models.TextField(blank=True)),
                ("permits", models.TextField(blank=True)),
                ("protective_equipment", models.TextField(blank=True)),
                (
                    "other_tenants",
                    models.TextField(blank=True, help_text="Other people's equipment on the same wall."),
                ),
                ("dangers", models.TextField(blank=True)),
                (
                    "ladder_m",
                    models.FloatField(
                        blank=True, help_text="Working height that needs a ladder [m].", null=True
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
                "db_table": "closet",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Contact",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "role",
                    models.CharField(
                        choices=[
                            ("site", "site contact"),
                            ("out_of_hours", "out-of-hours contact"),
                            ("network", "customer's network contact"),
                            ("key_holder", "key holder"),
                        ],
                        max_length=20,
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("phone", models.CharField(blank=True, max_length=60)),
                ("email", models.EmailField(blank=True, max_length=254)),
                ("hours", models.CharField(blank=True, max_length=120)),
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
                    "closet",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="contacts",
                        to="sites.closet",
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
                "db_table": "contact",
                "ordering": ["role", "name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Secret",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[("door", "door code"), ("alarm", "alarm code"), ("other", "other code")],
                        max_length=10,
                    ),
                ),
                ("label", models.CharField(help_text="What it opens; never the code.", max_length=80)),
                ("ciphertext", models.BinaryField()),
                ("written_at", models.DateTimeField(auto_now_add=True)),
                (
                    "closet",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="secrets",
                        to="sites.closet",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "written_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "db_table": "secret",
            },
        ),
        migrations.CreateModel(
            name="SecretReveal",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("reason", models.TextField()),
                ("revealed_at", models.DateTimeField(auto_now_add=True)),
                (
                    "secret",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="reveals", to="sites.secret"
                    ),
                ),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "db_table": "secret_reveal",
            },
        ),
        migrations.AddConstraint(
            model_name="closet",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="closet_of_site"),
        ),
        migrations.AddConstraint(
            model_name="closet",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="closet_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="contact",
            constraint=models.UniqueConstraint(fields=("site", "role", "name"), name="contact_once_a_role"),
        ),
        migrations.AddConstraint(
            model_name="secret",
            constraint=models.UniqueConstraint(fields=("site", "label"), name="secret_label_once_a_site"),
        ),
    ]
